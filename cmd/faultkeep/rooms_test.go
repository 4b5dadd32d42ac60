package main_test

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// rooms are all packages, lowest first, with what each may import of ours. A
// door leads only to rooms above it in this list, so that there are no circles
// and what is low can be understood without what is high.
var rooms = []struct {
	room  string
	doors string
}{
	{"store/capture", ""},
	{"configs/strict", ""},
	{"store/format", "store/capture"},
	{"store/format/formattest", "store/format store/capture"},
	{"store/format/comtrade", "store/format store/capture"},
	{"store/format/parquet", "store/format store/capture"},
	{"store/format/delimited", "store/format store/capture configs/strict"},
	{"store/coverage", "store/capture"},
	{"store/swap", ""},
	{"store", "store/capture store/coverage store/swap"},
	{"store/storetest", "store store/capture"},
	{"configs", ""},
	{"sources", "store/capture configs"},
	{"sources/sourcetest", "sources store/capture"},
	{"sources/faultcode", "store/capture configs configs/strict"},
	{"sources/modbus/regmap", "store/capture configs/strict"},
	{"sources/modbus/link", "sources sources/modbus/regmap store/capture"},
	{"sources/modbus", "sources sources/faultcode sources/modbus/regmap sources/modbus/link store/capture configs/strict"},
	{"sources/folder", "store/format/delimited sources sources/faultcode store/format store/capture configs/strict"},
	{"sources/drivesim", "store/capture"},
	{"daemon/analysis/robust", ""},
	{"daemon/analysis/align", ""},
	{"daemon/analysis/likeness", "daemon/analysis/robust store/capture"},
	{"daemon/analysis/anatomy", "daemon/analysis/robust store/capture"},
	{"daemon/analysis/plan", ""},
	{"daemon/analysis/recurrence", ""},
	{"daemon/analysis/spectrum", ""},
	{"daemon/analysis/vibration", "daemon/analysis/robust daemon/analysis/spectrum store/capture"},
	{"daemon/analysis/response", "daemon/analysis/robust store/capture"},
	{"daemon/analysis", "daemon/analysis/anatomy daemon/analysis/likeness daemon/analysis/response daemon/analysis/vibration store/capture"},
	{"daemon/logs", ""},
	{"daemon/alert", "store/capture configs/strict"},
	{"daemon/alert/logsink", "daemon/alert store/capture"},
	{"daemon/alert/email", "daemon/alert store/capture configs/strict"},
	{"daemon/alert/mqtt", "daemon/alert store/capture configs/strict"},
	{"daemon/alert/file", "daemon/alert daemon/logs store/capture configs/strict"},
	{"daemon/alert/syslog", "daemon/alert store/capture configs/strict"},
	{"daemon/alert/webhook", "daemon/alert store/capture configs/strict"},
	{"daemon/report/raster", ""},
	{"daemon/report", "daemon/report/raster store/capture store/coverage"},
	{"daemon/clock", ""},
	{"daemon/export", "daemon/report store/format store/format/comtrade store/format/parquet store/capture store/swap"},
	{"daemon/carry", "daemon/export daemon/report store/capture store/swap"},
	{"daemon/login", ""},
	{"daemon/certificate", "store/swap"},
	{"daemon/holdoff", ""},
	{"daemon/heartbeat", "configs/strict"},
	{"daemon/config", "daemon/heartbeat daemon/login daemon/certificate store/format store/format/comtrade store/format/delimited sources/folder configs configs/strict sources/modbus sources/modbus/regmap sources/faultcode daemon/alert daemon/alert/mqtt daemon/alert/email daemon/alert/logsink daemon/alert/file daemon/alert/syslog daemon/alert/webhook store/capture daemon/holdoff"},
	{"daemon/web/wire", "configs/strict daemon/analysis/recurrence store/capture store/coverage"},
	{"daemon/brief", "daemon/report daemon/report/raster daemon/web/wire store/capture store/coverage"},
	{"daemon/study", "daemon/analysis daemon/analysis/likeness daemon/analysis/vibration daemon/analysis/recurrence daemon/web/wire store store/capture store/coverage"},
	{"daemon/envelope", "store/capture"},
	{"daemon/web", "configs/strict daemon/login daemon/envelope daemon/analysis/spectrum daemon/web/wire daemon/analysis/align daemon/analysis/recurrence daemon/report daemon/export store/capture store/coverage"},
	{"daemon/metrics", "daemon/web sources store/capture"},
	{"daemon/archive", "daemon/study daemon/web/wire store store/capture store/coverage store/swap"},
	{"daemon/support", "daemon/archive daemon/clock daemon/config store"},
	{"daemon/intake", "daemon/archive sources sources/folder store/capture"},
	{"daemon", "daemon/heartbeat daemon/holdoff daemon/login daemon/certificate store store/capture daemon/clock sources sources/modbus sources/folder daemon/alert daemon/config daemon/web daemon/metrics daemon/archive daemon/study daemon/brief daemon/export daemon/web/wire daemon/report"},
	{"daemon/demo", "daemon daemon/alert daemon/archive daemon/config daemon/web/wire sources sources/modbus sources/drivesim configs store/capture"},
	{"cmd/faultkeep", "daemon/certificate daemon/holdoff daemon/support daemon/logs daemon/brief daemon/carry daemon/login daemon/intake sources/folder store/format store/format/comtrade store/format/delimited daemon daemon/alert daemon/archive daemon/config daemon/demo daemon/export daemon/report daemon/analysis/plan sources/drivesim sources/faultcode sources/modbus sources/modbus/regmap configs configs/strict store store/capture store/coverage"},
}

// Every package imports only what rooms allows it.
func TestRoomsHaveOneWayDoors(t *testing.T) {
	doors := map[string][]string{}
	for _, r := range rooms {
		open := strings.Fields(r.doors)
		for _, door := range open {
			if _, above := doors[door]; !above {
				t.Errorf("the door from %s to %s leads to a room that isn't above it in the list", r.room, door)
			}
		}
		doors[r.room] = open
	}
	seen := map[string]bool{}
	for file, imports := range ourImports(t) {
		room := path.Dir(file)
		open, known := doors[room]
		seen[room] = true
		if !known {
			t.Errorf("%s is in a room that the list doesn't know; give it a place there", file)
			continue
		}
		for _, other := range imports {
			// A mistake in how frames and numbers are read would hide in both:
			// not even a test of the simulated drives may see faultkeep's own.
			if room == "sources/drivesim" && strings.HasPrefix(other, "sources/modbus") {
				t.Errorf("%s imports %s; the simulated drives must share no code with what reads them", file, other)
			}
			if !strings.HasSuffix(file, "_test.go") && !slices.Contains(open, other) {
				t.Errorf("%s imports %s, to which %s has no door", file, other, room)
			}
		}
	}
	for room := range doors {
		if !seen[room] {
			t.Errorf("there is no room %s any more; take it off the list", room)
		}
	}
}

// ourImports are the imports from this module of every Go file, whatever its
// build tags; paths are seen from the module's root.
func ourImports(t *testing.T) map[string][]string {
	t.Helper()
	const root, module = "../..", "faultkeep/"
	files := map[string][]string{}
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && name != root && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata"):
			return fs.SkipDir
		case d.IsDir() || filepath.Ext(name) != ".go":
			return nil
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, name)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		files[rel] = nil
		for _, spec := range parsed.Imports {
			if what, err := strconv.Unquote(spec.Path.Value); err == nil && strings.HasPrefix(what, module) {
				files[rel] = append(files[rel], strings.TrimPrefix(what, module))
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < len(rooms) {
		t.Fatalf("only %d Go files were found", len(files))
	}
	return files
}
