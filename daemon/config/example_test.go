package config_test

import (
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"faultkeep/daemon/config"
)

// shipped is where the files that users copy lie.
const shipped = "../../configs"

// example copies the example config with the maps beside it, as a user would.
func example(t *testing.T) (path, src string) {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(filepath.Join(dir, "maps"), os.DirFS(filepath.Join(shipped, "maps"))); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"hook.key", "sign.key", "mail.key", "mqtt.key"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("k"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	b, err := os.ReadFile(filepath.Join(shipped, "faultkeep.example.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "faultkeep.yaml"), string(b)
}

func TestExampleIsValid(t *testing.T) {
	path, src := example(t)
	l, problems := config.Parse(path, []byte(src))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	if len(l.Drives) != 5 {
		t.Errorf("%d drives, Northquay has five", len(l.Drives))
	}
	for _, d := range l.Drives {
		if len(d.Config.Allow) > 0 {
			t.Errorf("%s may be written to; whoever copies the example must decide that", d.Config.Name)
		}
	}
}

// What stands behind # is a setting too, and must be as right as the rest.
var disabled = regexp.MustCompile(`(?m)^( *)#( *)(#?)(- )?([a-z_]+:|X-)`)

func TestExampleIsValidWithEverySettingOn(t *testing.T) {
	path, src := example(t)
	all := disabled.ReplaceAllStringFunc(src, func(line string) string {
		m := disabled.FindStringSubmatch(line)
		if m[3] != "" {
			return line // the other of two settings that exclude each other
		}
		return m[1] + m[2] + m[4] + m[5]
	})
	l, problems := config.Parse(path, []byte(all))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	if len(l.Config.Alerts.Sinks) != 6 || len(l.Config.Alerts.Rules) != 2 || !l.Drives[0].Config.Allows("arm") || l.Config.Web.TLS == nil || len(l.Config.Web.Users) != 1 || l.Drives[0].Connections() != 1 {
		t.Errorf("settings are still off: %+v", l.Config)
	}
}

func TestExampleNamesEveryKey(t *testing.T) {
	_, src := example(t)
	var walk func(reflect.Type)
	seen := make(map[reflect.Type]bool)
	walk = func(rt reflect.Type) {
		for rt.Kind() == reflect.Pointer || rt.Kind() == reflect.Slice {
			rt = rt.Elem()
		}
		if rt.Kind() != reflect.Struct || seen[rt] {
			return
		}
		seen[rt] = true
		for i := range rt.NumField() {
			key := rt.Field(i).Tag.Get("yaml")
			if !regexp.MustCompile(`(?m)^[ #-]*` + key + `:`).MatchString(src) {
				t.Errorf("%s.%s: the example doesn't show the key %s", rt, rt.Field(i).Name, key)
			}
			walk(rt.Field(i).Type)
		}
	}
	walk(reflect.TypeFor[config.Config]())
	if strings.Contains(src, "\t") {
		t.Error("the example holds a tab")
	}
}
