package configs_test

import (
	"io/fs"
	"slices"
	"strings"
	"testing"

	"faultkeep/configs"
)

func TestBuiltinsAreFoundByName(t *testing.T) {
	if !slices.Contains(configs.Maps(), "generic-block") || !slices.Contains(configs.FaultTables(), "iec61800-7-201") {
		t.Fatalf("maps %v, fault tables %v", configs.Maps(), configs.FaultTables())
	}
	src, err := configs.Map("generic-block")
	if err != nil || !strings.Contains(string(src), "name: generic-block") {
		t.Errorf("%.60q, %v", src, err)
	}
	for _, name := range []string{"", "generic-blok", "../faults/iec61800-7-201", "README.md"} {
		if src, err := configs.Map(name); err == nil || !strings.Contains(err.Error(), "generic-block") {
			t.Errorf("%q: %.20q, %v", name, src, err)
		}
	}
}

func TestWhatAUserCopiesIsInside(t *testing.T) {
	for _, file := range []string{"faultkeep.example.yaml", "maps/README.md", "faults/README.md"} {
		if b, err := fs.ReadFile(configs.FS, file); err != nil || len(b) == 0 {
			t.Errorf("%s: %v", file, err)
		}
	}
}
