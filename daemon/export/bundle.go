package export

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"hash"
	"io"
	"strings"

	"faultkeep/daemon/report"
	"faultkeep/store/capture"
)

// manifest is the name of the file with the hashes, as sha256sum -c reads it.
const manifest = "manifest-sha256.txt"

// Bundle writes a capture with everything about it as a zip archive, so that
// evidence can be handed on and checked: the original bytes, COMTRADE, CSV, the
// capture's facts, a picture, and a manifest with the SHA-256 of every file.
// The same capture gives the same bytes.
func Bundle(w io.Writer, r Record) error {
	if err := r.Check(); err != nil {
		return err
	}
	b := &bundle{zip: zip.NewWriter(w), record: r}
	b.file("README.txt", func(w io.Writer) error { return b.readme(w) })
	b.file("capture.json", func(w io.Writer) error { return indented(w, r.Capture) })
	b.file("picture.svg", func(w io.Writer) error {
		_, err := w.Write(report.Lanes(r.Capture, r.Series, report.Options{Standalone: true}))
		return err
	})
	b.file("samples.csv", func(w io.Writer) error { return CSV(w, r) })
	b.file("recording.cff", func(w io.Writer) error { return COMTRADE(w, r) })
	if r.Study.Version > 0 {
		b.file("findings.txt", func(w io.Writer) error { return b.findings(w) })
		b.file("findings.json", func(w io.Writer) error { return indented(w, r.Study) })
	}
	for _, p := range r.originals() {
		b.file("original/"+partName(p.Name), func(w io.Writer) error {
			_, err := w.Write(p.Bytes)
			return err
		})
	}
	sums := b.sums.String()
	b.file(manifest, func(w io.Writer) error {
		_, err := io.WriteString(w, sums)
		return err
	})
	if b.err != nil {
		return b.err
	}
	return b.zip.Close()
}

type bundle struct {
	zip    *zip.Writer
	record Record
	sums   strings.Builder
	err    error
}

// file adds a file and notes its hash.
func (b *bundle) file(name string, write func(io.Writer) error) {
	if b.err != nil {
		return
	}
	out, err := b.zip.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: b.record.Capture.Kept.UTC()})
	if err != nil {
		b.err = err
		return
	}
	sum := sha256.New()
	if err := write(io.MultiWriter(out, sum)); err != nil {
		b.err = fmt.Errorf("%s: %w", name, err)
		return
	}
	b.sums.WriteString(line(sum, name))
}

func line(sum hash.Hash, name string) string { return fmt.Sprintf("%x  %s\n", sum.Sum(nil), name) }

// originals are all parts, or at least the samples'.
func (r Record) originals() []Part {
	if len(r.Parts) > 0 {
		return r.Parts
	}
	return []Part{{capture.Data, r.Original}}
}

// partName is a part's name as a file's: nothing that leaves the folder, and
// nothing that a file system minds.
func partName(name string) string {
	name = strings.Map(func(r rune) rune {
		if r < ' ' || strings.ContainsRune(`<>:"/\|?*`, r) {
			return '_'
		}
		return r
	}, name)
	if name = strings.Trim(name, ". "); name == "" {
		return "_"
	}
	return name
}

func indented(w io.Writer, v any) error {
	var b bytes.Buffer
	out := json.NewEncoder(&b)
	out.SetIndent("", "  ")
	out.SetEscapeHTML(false)
	if err := out.Encode(v); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

func (b *bundle) findings(w io.Writer) error {
	st := b.record.Study
	if _, err := fmt.Fprintf(w, "Found in %s on %s.\n\n", b.record.Capture.ID, st.At.UTC().Format("2006-01-02 15:04:05 MST")); err != nil {
		return err
	}
	if err := report.Findings(w, st.Findings, true); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "\n%s\n", report.FindingsCaution)
	return err
}

func (b *bundle) readme(w io.Writer) error {
	c := b.record.Capture
	whole := "whole"
	if !c.Integrity.Whole {
		whole = "in part: " + c.Integrity.Why
	}
	title := c.Title
	if title == "" {
		title = c.Drive
	}
	found := ""
	if b.record.Study.Version > 0 {
		found = "findings.txt         what was found in it, with what each finding rests on\nfindings.json        the same for programs\n"
	}
	_, err := fmt.Fprintf(w, `Capture %s
%s, %s, kept %s.
Triggered %s.

README.txt           this text
capture.json         all facts: where it came from, settings as read, what was verified
picture.svg          all channels against time, zero at the trigger
samples.csv          a row a sample; an empty cell is a sample that wasn't read
recording.cff        COMTRADE (IEEE C37.111-2013, IEC 60255-24)
%soriginal/            the bytes as they came from the drive or its exported file
%s  SHA-256 of every file; check with: sha256sum -c %s

What is written here is evidence, no diagnosis. Before work on a drive or its
machine: lockout, wait the time on the device's label, measure; local codes and
licensed practice come first.
`, c.ID, title, c.Fault, whole, c.Trigger.Time.UTC().Format("2006-01-02 15:04:05.000000 MST"), found, manifest, manifest)
	return err
}
