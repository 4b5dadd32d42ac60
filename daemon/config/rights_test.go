package config_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/config"
)

// What a service is let do is what the config asks for, and no more.
func TestRights(t *testing.T) {
	at := t.TempDir()
	for _, name := range []string{"hook.key", "sign.key"} {
		if err := os.WriteFile(filepath.Join(at, name), []byte("word"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(at, "log"), 0o700); err != nil {
		t.Fatal(err)
	}
	l, problems := config.Parse(filepath.Join(at, "faultkeep.yaml"), []byte(`data: data
web: {listen: 127.0.0.1:80}
holdoff: {listen: "127.0.0.1:502"}
log: {file: log/faultkeep.log}
drives: [{name: belt-2, address: 192.0.2.12, map: builtin:generic-block}]
folders:
  - {name: seen, path: seen, drive: belt-3}
  - {name: gone, path: gone, drive: belt-3, after: delete}
  - {name: away, path: away, drive: belt-3, after: move, move_to: kept}
brief: {at: "06:00", folder: briefs}
alerts:
  sinks:
    - {name: hook, webhook: {url: "https://alarms.northquay.example/", secret_file: hook.key, sign_file: sign.key}}
`))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	for _, one := range []struct {
		what      string
		got, want []string
	}{
		{"listens", l.Listens(), []string{"127.0.0.1:80", "127.0.0.1:502"}},
		{"reads", l.Reads(), []string{"seen"}},
		{"writes", l.Writes(), []string{"away", "briefs", "gone", "kept", "log"}},
		{"makes", l.Makes(), []string{"briefs"}},
		{"secrets", l.Secrets(), []string{"hook.key", "sign.key"}},
	} {
		for i, name := range one.want {
			if one.what != "listens" {
				one.want[i] = filepath.Join(at, name)
			}
		}
		if d := cmp.Diff(one.want, one.got); d != "" {
			t.Errorf("%s: %s", one.what, d)
		}
	}
}
