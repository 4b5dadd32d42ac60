package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
)

func loadedAt(listen string) *config.Loaded {
	l := &config.Loaded{Path: "/etc/faultkeep/faultkeep.yaml"}
	l.Config.Data, l.Config.Web.Listen = "/var/lib/faultkeep", listen
	return l
}

func TestPlan(t *testing.T) {
	const binary = "/usr/local/bin/faultkeep"
	for _, account := range []string{"root", "0", "nobody", "a\nb", "%u"} {
		var usage usageError
		if _, err := (&installCommand{Account: account}).plan(loadedAt("127.0.0.1:8377"), binary); !errors.As(err, &usage) {
			t.Errorf("--user %q: %v", account, err)
		}
	}
	if _, err := (&installCommand{}).plan(loadedAt("127.0.0.1:8377"), "/tmp/go-build123/b001/exe/faultkeep"); err == nil || !strings.Contains(err.Error(), "go build -o") {
		t.Errorf("a program that is gone soon: %v", err)
	}
	for listen, low := range map[string]bool{"127.0.0.1:8377": false, "127.0.0.1:80": true, "127.0.0.1:1023": true, "127.0.0.1:1024": false, "127.0.0.1:0": false, "[::1]:443": true} {
		if p, err := (&installCommand{}).plan(loadedAt(listen), binary); err != nil || p.LowPort != low || p.Account != usualAccount {
			t.Errorf("%s: %+v, %v", listen, p, err)
		}
	}
}

func TestReadEnvironment(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.env")
	for _, name := range []string{"FK_PLAIN", "FK_QUOTED", "FK_EQUALS", "FK_SKIPPED"} {
		t.Setenv(name, "")
	}
	if err := os.WriteFile(path, []byte("# FK_SKIPPED=1\n;FK_SKIPPED=1\n\nFK_PLAIN=a b\n  FK_QUOTED=\"x y\"\r\nFK_EQUALS=a=b\nno value\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := readEnvironment(path); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{"FK_PLAIN": "a b", "FK_QUOTED": "x y", "FK_EQUALS": "a=b", "FK_SKIPPED": ""} {
		if got := os.Getenv(name); got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
	if err := readEnvironment(path + "none"); err != nil {
		t.Errorf("none: %v", err)
	}
}

func TestStateInWords(t *testing.T) {
	folder := t.TempDir()
	if err := archive.WriteEndpointFile(folder, archive.Endpoint{Address: "http://127.0.0.1:8377", Token: "x", PID: 71, Version: "v1.2.3"}); err != nil {
		t.Fatal(err)
	}
	for _, one := range []struct {
		s    state
		want []string
		not  string
	}{
		{state{}, []string{"installed no. `faultkeep service install"}, "running"},
		{state{Installed: true, AtBoot: true}, []string{"starts with the machine", "running no, so no drive is being watched"}, "page"},
		{state{Installed: true}, []string{"doesn't start with the machine"}, "page"},
		{state{Installed: true, AtBoot: true, Restarting: true, Restarts: 7}, []string{"is started again (7 times so far). "}, "yes, since"},
		{state{Installed: true, AtBoot: true, Running: true, Since: "Wed", Data: folder, Config: "/etc/f.yaml"},
			[]string{"running yes, since Wed", "config /etc/f.yaml", "data " + folder, "version v1.2.3", "page http://127.0.0.1:8377"}, "restart"},
		{state{Installed: true, AtBoot: true, Running: true, PID: 71, Data: folder}, []string{"page http://127.0.0.1:8377"}, "none"},
		{state{Installed: true, AtBoot: true, Running: true, PID: 72, Data: folder}, []string{"running yes"}, "page"}, // it is somebody else's
		{state{Installed: true, AtBoot: true, Data: folder}, nil, "page"},                                             // what a dead daemon left behind is no page
	} {
		one.s.fill("")
		var lines []string
		for _, r := range one.s.rows() {
			lines = append(lines, strings.Join(r, " "))
		}
		text := strings.Join(lines, "\n")
		for _, w := range one.want {
			if !strings.Contains(text, w) {
				t.Errorf("%+v: no %q in\n%s", one.s, w, text)
			}
		}
		if strings.Contains(text, one.not) {
			t.Errorf("%+v: %q in\n%s", one.s, one.not, text)
		}
	}
}

// Only what faultkeep wrote goes, also where something else lies beside it.
func TestPurge(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "data")
	for _, name := range []string{"faultkeep.db", "faultkeep.db.damaged-1", "daemon.json", "page.pem", "notes.txt"} {
		if err := errors.Join(os.MkdirAll(folder, 0o700), os.WriteFile(filepath.Join(folder, name), nil, 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	if left, err := purge(folder); err != nil || left != 1 {
		t.Errorf("%d, %v", left, err)
	}
	if entries, err := os.ReadDir(folder); err != nil || len(entries) != 1 || entries[0].Name() != "notes.txt" {
		t.Errorf("%v, %v", entries, err)
	}
	if err := os.Remove(filepath.Join(folder, "notes.txt")); err != nil {
		t.Fatal(err)
	}
	for range 2 { // a second time there is nothing to do
		if left, err := purge(folder); err != nil || left != 0 {
			t.Errorf("%d, %v", left, err)
		}
	}
	if _, err := os.Stat(folder); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the folder is there: %v", err)
	}
}
