//go:build unix

package config_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"faultkeep/daemon/config"
)

func TestFolderThatCannotBeWrittenTo(t *testing.T) {
	if os.Getuid() == 0 {
		t.Skip("root may write everywhere")
	}
	dir := t.TempDir()
	locked := filepath.Join(dir, "locked")
	if err := os.Mkdir(locked, 0o555); err != nil {
		t.Fatal(err)
	}
	for _, folder := range []string{"locked", "locked/data"} {
		src := "data: " + folder + "\ndrives: [{name: a, address: 192.0.2.1, map: builtin:generic-block}]\n"
		_, problems := config.Parse(filepath.Join(dir, "faultkeep.yaml"), []byte(src))
		if len(problems) != 1 || problems[0].Field != "data" || !strings.Contains(problems[0].Text, "can't be written to") || problems[0].Hint == "" {
			t.Errorf("%s: %v", folder, problems)
		}
	}
}
