package config_test

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/config"
	"faultkeep/store/format"
	"faultkeep/store/format/formattest"
)

func TestFolders(t *testing.T) {
	defer func(was []format.Decoder) { config.Formats = was }(config.Formats)
	config.Formats = []format.Decoder{formattest.Toy{}}
	l := parse(t, `
timezone: Europe/Oslo
data: data
folders:
  - {name: exports, title: Exports, path: in, format: toy, drive: slew, zone: UTC, after: move, move_to: in/kept, scan: 1m, from: "2026-11-25"}
  - {name: rest, path: rest, drive_from: {field: station}, from: all, after: delete}
  - {name: plain, path: plain}
`)
	if len(l.Folders) != 3 {
		t.Fatalf("%d folders", len(l.Folders))
	}
	f := l.Folders[0]
	folder := filepath.Dir(l.Path)
	if f.Config.Path != filepath.Join(folder, "in") || f.Config.MoveTo != filepath.Join(folder, "in", "kept") || f.Zone != time.UTC || len(f.Faults) != 1 {
		t.Errorf("%+v", f)
	}
	if l.Folders[1].Zone.String() != "Europe/Oslo" {
		t.Errorf("zone %s", l.Folders[1].Zone)
	}
	_, text, _ := strings.Cut(l.Explain(), "3 folders:\n")
	text, _, _ = strings.Cut(text, "\n\n")
	want := `  exports (Exports) in DIR/in, looked through every 1m; its files count as slew; once kept they are moved to DIR/in/kept. What is there at the first start is kept if it was written since 2026-11-25.
  rest in DIR/rest, looked through every 30s; the files say whose they are, else they count as rest; once kept they are deleted. What is there at the first start is kept too.
  plain in DIR/plain, looked through every 30s; its files count as plain; they stay where they are. What is there at the first start is passed over.`
	if d := cmp.Diff(want, filepath.ToSlash(strings.ReplaceAll(text, folder, "DIR"))); d != "" {
		t.Error(d)
	}
}
