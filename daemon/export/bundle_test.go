package export_test

import (
	"archive/zip"
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"faultkeep/daemon/export"
	"faultkeep/sources/sourcetest"
	"faultkeep/store/capture"
)

// A bundle has everything, is the same every time, and its hashes are right:
// unpacked by Python's zipfile and checked by GNU coreutils' sha256sum, which
// aren't ours.
func TestBundle(t *testing.T) {
	r := record(t, true)
	r.Parts = []export.Part{{Name: "data", Bytes: r.Original}, {Name: "../trip.cfg", Bytes: []byte("Northquay,elevator,2013\r\n")}}
	r.Study = capture.Study{Version: 1, At: r.Capture.Kept, Findings: []capture.Finding{{Kind: capture.FindingFirstMover, Text: "Speed fell first, 41 ms before the trip (±1 ms).", Basis: "CUSUM"}}}
	b := []byte(written(t, export.Bundle, r))
	if !bytes.Equal(b, []byte(written(t, export.Bundle, r))) {
		t.Error("the same capture gives other bytes")
	}
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	content := map[string]string{}
	for _, f := range z.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		content[f.Name] = string(text)
	}
	if content["original/data"] != string(r.Original) || content["original/_trip.cfg"] == "" {
		t.Errorf("files: %v", len(content))
	}
	for name, want := range map[string]string{"samples.csv": "t [s]", "recording.cff": "file type: CFG", "picture.svg": "<svg", "capture.json": string(r.Capture.ID), "README.txt": "in part", "findings.txt": "What moved first\n  Speed fell first, 41 ms", "findings.json": `"kind": "first mover"`} {
		if !strings.Contains(content[name], want) {
			t.Errorf("%s lacks %q", name, want)
		}
	}
	folder := t.TempDir()
	path := filepath.Join(folder, "b.zip")
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	python := sourcetest.Need(t, "python3")
	if out, err := exec.Command(python, "-m", "zipfile", "-e", path, folder).CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	sum := exec.Command(sourcetest.Need(t, "sha256sum"), "-c", "manifest-sha256.txt")
	sum.Dir = folder
	if out, err := sum.CombinedOutput(); err != nil || strings.Count(string(out), ": OK") != len(content)-1 {
		t.Errorf("%v\n%s", err, out)
	}
	if err := os.WriteFile(filepath.Join(folder, "samples.csv"), []byte("other"), 0o600); err != nil {
		t.Fatal(err)
	}
	sum = exec.Command(sum.Path, "-c", "manifest-sha256.txt")
	sum.Dir = folder
	if out, err := sum.CombinedOutput(); err == nil {
		t.Errorf("a changed file goes unnoticed:\n%s", out)
	}
}
