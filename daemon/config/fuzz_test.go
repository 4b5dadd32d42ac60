package config_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"faultkeep/daemon/config"
)

// Whatever the bytes, Parse neither panics nor accepts in silence: there is a
// config or a list of placed problems, and a config explains itself.
func FuzzParse(f *testing.F) {
	files, err := filepath.Glob("testdata/*.yaml")
	if err != nil {
		f.Fatal(err)
	}
	for _, file := range append(files, filepath.Join(shipped, "faultkeep.example.yaml")) {
		src, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(src)
	}
	path := filepath.Join(f.TempDir(), "faultkeep.yaml")
	f.Fuzz(func(t *testing.T, src []byte) {
		l, problems := config.Parse(path, src)
		if (l == nil) != (len(problems) > 0) {
			t.Fatalf("loaded %v with %d problems", l != nil, len(problems))
		}
		lines := bytes.Count(src, []byte("\n")) + 1
		for _, p := range problems {
			if p.File == "" || p.Text == "" || p.Line < 0 || p.Line > 0 && p.Column < 1 || p.File == path && p.Line > lines {
				t.Errorf("badly placed: %+v", p)
			}
		}
		if l == nil {
			return
		}
		text := l.Explain()
		for _, d := range l.Drives {
			if !strings.Contains(text, d.Config.Name) {
				t.Error("a drive isn't explained")
			}
		}
		for _, d := range l.Folders {
			if !strings.Contains(text, d.Config.Name) {
				t.Error("a folder isn't explained")
			}
		}
	})
}
