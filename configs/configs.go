// Package configs carries the files that a user copies and edits: example
// configs, maps and fault tables. The binary has them all inside.
package configs

import (
	"embed"
	"fmt"
	"io/fs"
	"strings"
)

// FS holds the files as they lie in this folder.
//
//go:embed maps faults holdoff *.yaml
var FS embed.FS

// Map is the shipped map of that name: what builtin:NAME stands for.
func Map(name string) ([]byte, error) { return builtin("maps", "map", name) }

// Faults is the shipped fault table of that name.
func Faults(name string) ([]byte, error) { return builtin("faults", "fault table", name) }

// Maps are the names of the shipped maps.
func Maps() []string { return names("maps") }

// FaultTables are the names of the shipped fault tables.
func FaultTables() []string { return names("faults") }

func builtin(folder, what, name string) ([]byte, error) {
	for _, known := range names(folder) {
		if name == known {
			return FS.ReadFile(folder + "/" + name + ".yaml")
		}
	}
	return nil, fmt.Errorf("there is no built-in %s %q; there are %s", what, name, strings.Join(names(folder), ", "))
}

func names(folder string) []string {
	files, err := fs.Glob(FS, folder+"/*.yaml")
	if err != nil {
		panic(err) // the pattern is constant
	}
	for i, file := range files {
		files[i] = strings.TrimSuffix(strings.TrimPrefix(file, folder+"/"), ".yaml")
	}
	return files
}
