package support_test

import (
	"archive/zip"
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/support"
	"faultkeep/store"
)

// Each damage leaves the other parts standing, and says in one sentence what is missing.
func TestBadDays(t *testing.T) {
	good := "site: Northquay\ndata: data\nlog: {file: data/faultkeep.log}\ndrives: [{name: belt-2, address: 192.0.2.12, map: builtin:generic-block}]\n" +
		"alerts: {sinks: [{name: hook, webhook: {url: \"https://hooks.northquay.example/S3CRET-path?t=S3CRET-query\", headers: {X-A: S3CRET-header}}}]}\n"
	for _, c := range []struct {
		name    string
		config  string
		before  func(t *testing.T, data string)
		missing map[string]string // part, part of why
		has     map[string]string // part, part of its text
	}{
		{"dead", good, nil, nil, map[string]string{"config.yaml": "Northquay", "check.txt": "belt-2", "store.json": `"captures": 0`, "ledger.txt": "belt-2 was there",
			"ledger.jsonl": "belt-2 was there", "standing.json": `"running": false`, "log.txt": "a line", "data-folder.txt": "faultkeep.db", "computer.json": "free_bytes", "versions.json": `"modules"`}},
		{"held", good, func(t *testing.T, data string) {
			s, err := store.Open(t.Context(), store.Options{Path: filepath.Join(data, "faultkeep.db")})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { s.Close() })
		}, map[string]string{"store.json": "faultkeep.db", "ledger.jsonl": "faultkeep.db", "standing.json": "faultkeep.db", "ledger.txt": "held by"}, map[string]string{"config.yaml": "Northquay", "log.txt": "a line"}},
		{"damaged", good, func(t *testing.T, data string) {
			if err := os.WriteFile(filepath.Join(data, "faultkeep.db"), bytes.Repeat([]byte("junk"), 9000), 0o600); err != nil {
				t.Fatal(err)
			}
		}, map[string]string{"store.json": "damaged", "ledger.txt": "damaged", "ledger.jsonl": "damaged", "standing.json": "damaged"}, map[string]string{"config.yaml": "Northquay", "log.txt": "a line"}},
		{"config is wrong", good + "pasword: S3CRET-wrong\nlog2: 1\n", nil, nil, map[string]string{"config.yaml": "pasword: (removed)", "check.txt": "pasword", "log.txt": "a line", "store.json": "captures"}},
		{"config isn't YAML", "data: [S3CRET-broken", nil, map[string]string{"config.yaml": "YAML", "check.txt": "YAML", "store.json": "--data", "ledger.jsonl": "--data",
			"ledger.txt": "--data", "standing.json": "--data", "data-folder.txt": "--data"}, map[string]string{"versions.json": "this one"}},
		{"no store", good, func(t *testing.T, data string) { os.Remove(filepath.Join(data, "faultkeep.db")) },
			map[string]string{"store.json": "no such file", "ledger.jsonl": "no such file", "ledger.txt": "no such file", "standing.json": "no such file"}, map[string]string{"log.txt": "a line"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			data := filepath.Join(dir, "data")
			path := filepath.Join(dir, "faultkeep.yaml")
			if err := os.Mkdir(data, 0o700); err != nil {
				t.Fatal(err)
			}
			s, err := store.Open(t.Context(), store.Options{Path: filepath.Join(data, "faultkeep.db")})
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Note(t.Context(), store.Entry{Time: time.Now(), Kind: "note", Text: "belt-2 was there with S3CRET-header"}); err != nil {
				t.Fatal(err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			for name, text := range map[string]string{path: c.config, filepath.Join(data, "faultkeep.log"): "a line with S3CRET-header\n"} {
				if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			if c.before != nil {
				c.before(t, data)
			}
			b, err := support.Gather(t.Context(), support.Options{Config: path, Days: 7, Within: time.Second, Build: "this one", Ledger: told})
			if err != nil {
				t.Fatal(err)
			}
			var out bytes.Buffer
			if err := b.Write(&out); err != nil {
				t.Fatal(err)
			}
			files := unzip(t, out.Bytes())
			for name, text := range files {
				if strings.Contains(text, "S3CRET") {
					t.Errorf("%s: %s", name, text)
				}
			}
			for _, p := range b.Parts {
				why, expected := c.missing[p.Name]
				if why == "no such file" && runtime.GOOS == "windows" {
					why = "Make its folder" // every Windows says it in its own language
				}
				_, there := files[p.Name]
				if p.Name == "log.txt" && strings.Contains(c.name, "YAML") {
					continue // without a known file it is the system's journal, which this machine has or hasn't
				}
				if p.Missing != "" && (!expected || !strings.Contains(p.Missing, why) || there) || p.Missing == "" && (expected || !there) {
					t.Errorf("%s: missing %q", p.Name, p.Missing)
				}
				if p.Missing != "" && (!strings.Contains(files["README.txt"], p.Missing) || strings.Contains(p.Missing, "\n")) {
					t.Errorf("README.txt doesn't say that %s is missing: %s", p.Name, files["README.txt"])
				}
			}
			for name, want := range c.has {
				if !strings.Contains(files[name], want) {
					t.Errorf("%s has no %q: %s", name, want, files[name])
				}
			}
		})
	}
}

// unzip are a zip's files; README.txt comes first.
func unzip(t *testing.T, b []byte) map[string]string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil || z.File[0].Name != "README.txt" {
		t.Fatal(err)
	}
	files := map[string]string{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		files[f.Name] = string(text)
	}
	return files
}

func told(ctx context.Context, a archive.Archive, since time.Time, _ *time.Location) (string, error) {
	list, err := a.Ledger(ctx, archive.Query{Since: since})
	return fmt.Sprint(list), err
}
