package config_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/configs/strict"
	"faultkeep/daemon/config"
	"faultkeep/sources/modbus"
)

var update = flag.Bool("update", false, "write what is found wrong into the .want files; read them before you keep them")

// workdir copies testdata into a fresh folder and goes there.
func workdir(t *testing.T) {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("testdata")); err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
}

// Every testdata/NAME.yaml is loaded; NAME.want holds everything that is wrong
// with it, or isn't there.
func TestCases(t *testing.T) {
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	workdir(t)
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob("*.yaml")
	if err != nil || len(files) < 10 {
		t.Fatal(err, files)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(file, ".yaml"), func(t *testing.T) {
			loaded, problems := config.Load(file)
			if (loaded == nil) != (len(problems) > 0) {
				t.Errorf("loaded %v with %d problems", loaded != nil, len(problems))
			}
			got := ""
			for _, p := range problems {
				if p.File != file {
					p.Text, p.Hint = "(the map's or table's own words)", "" // which aren't this room's to hold still
				}
				got += p.Error() + "\n"
			}
			got = strings.ReplaceAll(got, dir+string(filepath.Separator), "")
			// More maps and tables may be shipped any day.
			got = regexp.MustCompile(`known here: builtin:[^)\n]*`).ReplaceAllString(got, "known here: those shipped")
			name := strings.TrimSuffix(file, ".yaml") + ".want"
			if *update {
				path := filepath.Join(here, "testdata", name)
				os.Remove(path)
				if got != "" {
					if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
						t.Fatal(err)
					}
				}
				return
			}
			want, err := os.ReadFile(name)
			if err != nil && !os.IsNotExist(err) {
				t.Fatal(err)
			}
			if diff := cmp.Diff(strings.Split(filepath.ToSlash(string(want)), "\n"), strings.Split(filepath.ToSlash(got), "\n")); diff != "" {
				t.Error(diff)
			}
			for _, p := range problems {
				if p.Text == "" || strings.Contains(p.Error(), "T0KEN") {
					t.Errorf("%s", p.Error())
				}
			}
		})
	}
}

// snapshot lists every file and folder with its size and time.
func snapshot(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err == nil {
			fmt.Fprintln(&b, path, info.Mode(), info.Size(), info.ModTime().UnixNano())
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestLoadTouchesNothing(t *testing.T) {
	workdir(t)
	for _, folder := range []string{"absent", "there"} {
		if folder == "there" {
			if err := os.MkdirAll("data", 0o777); err != nil {
				t.Fatal(err)
			}
		}
		before := snapshot(t, ".")
		if _, problems := config.Load("minimal.yaml"); len(problems) > 0 {
			t.Fatal(problems)
		}
		if diff := cmp.Diff(before, snapshot(t, ".")); diff != "" {
			t.Errorf("data folder %s:\n%s", folder, diff)
		}
	}
}

func TestDefaults(t *testing.T) {
	workdir(t)
	l, problems := config.Load("minimal.yaml")
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	dir, _ := os.Getwd()
	host, _ := os.Hostname()
	c := l.Config
	got := []any{c.Site, c.Data, c.Poll.Std(), c.Web.Listen, c.Alerts.Link, len(c.Alerts.Sinks), c.Alerts.Sinks[0].Name,
		c.Log, l.Location, l.Path, l.LogLevel().String(), l.Rules().Sinks}
	want := []any{host, filepath.Join(dir, "data"), 250 * time.Millisecond, "127.0.0.1:8377", "http://127.0.0.1:8377", 1, "log",
		config.Log{Level: "info", Format: "text", Size: 10 << 20, Keep: 5}, time.Local, filepath.Join(dir, "minimal.yaml"), "INFO", []string{"log"}}
	for i := range want {
		if fmt.Sprint(got[i]) != fmt.Sprint(want[i]) {
			t.Errorf("default %d: %v, want %v", i, got[i], want[i])
		}
	}
	d := l.Drives[0]
	wantDrive := modbus.Config{Name: "belt-3", Address: "192.0.2.12:502", Map: "builtin:generic-block",
		Faults: []string{"builtin:iec61800-7-201"}, Poll: strict.Duration(250 * time.Millisecond), Timeout: strict.Duration(time.Second)}
	if diff := cmp.Diff(wantDrive, d.Config); diff != "" {
		t.Error(diff)
	}
	if d.Config.UnitID() != 1 || d.Connections() != 1 || d.Endpoint() != "192.0.2.12:502" || d.Map.Name != "generic-block" {
		t.Errorf("unit %d, %d connections to %s, map %s", d.Config.UnitID(), d.Connections(), d.Endpoint(), d.Map.Name)
	}
	if f := d.Faults.Lookup(0x2311); f.Shown != "2311" || f.Name == "" { // IEC 61800-7-201: 2310–2312 are continuous overcurrents, output side
		t.Errorf("fault %+v", f)
	}
	if diff := cmp.Diff(c.Drives, []modbus.Config{d.Config}); diff != "" {
		t.Errorf("Config.Drives and Drives differ:\n%s", diff)
	}
}

// A drive's own values win over those for all, and unit 0 is a unit.
func TestOwnValuesWin(t *testing.T) {
	l := parse(t, `
data: data
poll: 100ms
timezone: Asia/Tokyo
drives:
  - {name: a, address: "192.0.2.1:1502", map: builtin:generic-block, unit: 0, poll: 1s, timeout: 3s}
  - {name: b, address: 192.0.2.2, map: maps/window.yaml, allow: [page], connections: 3}
  - {name: c, address: 192.0.2.3, map: maps/window.yaml, allow: [page]}
`)
	if a := l.Drives[0].Config; a.UnitID() != 0 || a.Poll.Std() != time.Second || a.Timeout.Std() != 3*time.Second || a.Address != "192.0.2.1:1502" {
		t.Errorf("%+v", a)
	}
	if b := l.Drives[1]; b.Config.Poll.Std() != 100*time.Millisecond || b.Connections() != 3 {
		t.Errorf("%+v", b.Config)
	}
	if c := l.Drives[2]; c.Connections() != 4 { // as the map's limits say
		t.Errorf("%d connections", c.Connections())
	}
	if got := time.Unix(0, 0).In(l.Location).Format("15:04"); got != "09:00" {
		t.Errorf("midnight UTC is %s in Tokyo", got)
	}
}

// parse loads src from a copy of testdata and expects no problems.
func parse(t *testing.T, src string) *config.Loaded {
	t.Helper()
	workdir(t)
	l, problems := config.Parse("faultkeep.yaml", []byte(src))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	return l
}

func TestAddresses(t *testing.T) {
	for address, want := range map[string]string{
		"192.0.2.1":               "192.0.2.1:502",
		"192.0.2.1:1502":          "192.0.2.1:1502",
		"Drive-3.Northquay":       "drive-3.northquay:502",
		"drive_3:65535":           "drive_3:65535",
		"localhost:5020":          "localhost:5020",
		"[2001:db8::11]":          "[2001:db8::11]:502",
		"[2001:DB8:0:0::11]:1502": "[2001:db8::11]:1502",
		"[fe80::1%eth0]:502":      "[fe80::1%eth0]:502",
		"2001:db8::11":            "",
		"2001:db8::11:502":        "",
		"[2001:db8::11":           "",
		"[2001:db8::11]502":       "",
		"[192.0.2.1]:502":         "",
		"[]:502":                  "",
		"192.0.2.1:":              "",
		"192.0.2.1:0":             "",
		"192.0.2.1:65536":         "",
		"192.0.2.1:modbus":        "",
		"192.0.2.1:-1":            "",
		"192.0.2.300":             "",
		"192.0.2":                 "",
		"10":                      "",
		":502":                    "",
		"0.0.0.0":                 "",
		"224.0.0.1":               "",
		"255.255.255.255":         "",
		"[::]:502":                "",
		"tcp://192.0.2.1:502":     "",
		"192.0.2.1/24":            "",
		"drive 3":                 "",
		"-drive":                  "",
		"a..b":                    "",
		strings.Repeat("a", 64):   "",
	} {
		src := fmt.Sprintf("data: data\ndrives:\n  - {name: a, address: %q, map: builtin:generic-block}\n", address)
		l, problems := config.Parse(filepath.Join(t.TempDir(), "faultkeep.yaml"), []byte(src))
		switch {
		case want == "" && (len(problems) != 1 || problems[0].Field != "drives[0].address" || problems[0].Line != 3 || problems[0].Hint == ""):
			t.Errorf("%s: %v", address, problems)
		case want != "" && (len(problems) > 0 || l.Drives[0].Config.Address != want):
			t.Errorf("%s: %v, want %s", address, problems, want)
		}
	}
}

func TestListen(t *testing.T) {
	for listen, ok := range map[string]bool{
		"127.0.0.1:8377": true, "127.0.0.2:80": true, "[::1]:8377": true, "localhost:8377": true, "127.0.0.1:0": true,
		"0.0.0.0:8377": false, ":8377": false, "[::]:8377": false, "192.0.2.5:8377": false, "edge-pc:8377": false,
		"127.0.0.1": false, "8377": false, "127.0.0.1:65536": false, "127.0.0.1:http": false, "[::1]": false, "127.0.0.1:": false,
	} {
		src := fmt.Sprintf("data: data\nweb: {listen: %q}\ndrives:\n  - {name: a, address: 192.0.2.1, map: builtin:generic-block}\n", listen)
		_, problems := config.Parse(filepath.Join(t.TempDir(), "faultkeep.yaml"), []byte(src))
		if ok != (len(problems) == 0) || !ok && (problems[0].Field != "web.listen" || problems[0].Line != 2) {
			t.Errorf("%s: %v", listen, problems)
		}
	}
}

// Nothing that Load says or gives back as JSON holds a secret, nor the
// address of a webhook, in which receivers put tokens.
func TestNoSecretLeaves(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "hook.key"), []byte("s3cr3t-word\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("FAULTKEEP_TEST_KEY", "s3cr3t-word")
	src := []byte(`
data: data
drives: [{name: a, address: 192.0.2.1, map: builtin:generic-block}]
alerts:
  sinks:
    - {name: a, webhook: {url: "https://alarms.northquay.example/T0KEN?k=T0KEN", secret_file: hook.key, headers: {X-A: h34der}}}
    - {name: b, webhook: {url: "https://alarms.northquay.example/T0KEN", secret_env: FAULTKEEP_TEST_KEY, sign_env: FAULTKEEP_TEST_KEY}}
`)
	l, problems := config.Parse(filepath.Join(dir, "faultkeep.yaml"), src)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	asJSON, err := json.Marshal(l.Config)
	if err != nil {
		t.Fatal(err)
	}
	wrong := bytes.ReplaceAll(src, []byte("https://"), []byte("https//"))
	wrong = append(wrong, "  rules: [{to: [nobody]}]\n"...)
	_, problems = config.Parse(filepath.Join(dir, "faultkeep.yaml"), wrong)
	if len(problems) != 3 {
		t.Errorf("%v", problems)
	}
	for _, out := range []string{l.Explain(), string(asJSON), problems.Error()} {
		for _, word := range []string{"s3cr3t", "T0KEN", "h34der"} {
			if strings.Contains(out, word) {
				t.Errorf("%s is in %s", word, out)
			}
		}
	}
}

func TestUnreadable(t *testing.T) {
	for _, path := range []string{filepath.Join(t.TempDir(), "absent.yaml"), t.TempDir()} {
		l, problems := config.Load(path)
		if l != nil || len(problems) != 1 || problems[0].File != path || problems[0].Line != 0 {
			t.Errorf("%s: %v", path, problems)
		}
	}
}
