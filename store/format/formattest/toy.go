// Package formattest has a file format of its own for tests of whatever reads
// files: one that tells how long it is, so that half a file is known as half.
package formattest

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"path"
	"strconv"
	"strings"
	"time"

	"faultkeep/store/capture"
	"faultkeep/store/format"
)

// Toy reads files that begin with "toy N": N recordings, each a line
// "record SAMPLES TRIGGER TIME", lines "field NAME VALUE" and
// "warning TEXT", a number a line, and "end". A file that begins with "toyset"
// has the same, but its numbers are in a second file with the extension .dat.
type Toy struct{}

// Name is "toy".
func (Toy) Name() string { return "toy" }

// Sniff looks at the first letters.
func (Toy) Sniff(files []format.File) bool {
	_, _, ok := heads(files)
	return ok
}

func heads(files []format.File) (head, data []byte, ok bool) {
	for _, f := range files {
		switch {
		case bytes.HasPrefix(f.Bytes, []byte("toy")):
			head, ok = f.Bytes, true
		case strings.EqualFold(path.Ext(f.Name), ".dat"):
			data = f.Bytes
			ok = ok || len(files) == 1 // its partner may come
		}
	}
	return head, data, ok
}

// Decode reads all recordings.
func (Toy) Decode(_ context.Context, files []format.File, _ format.Options) ([]format.Record, error) {
	head, data, _ := heads(files)
	if head == nil && data == nil { // told to, so with some goodwill
		head = bytes.TrimLeft(files[0].Bytes, "\n")
	}
	p := &parser{name: files[0].Name, lines: bufio.NewScanner(bytes.NewReader(head))}
	if head == nil {
		return nil, p.short("its header")
	}
	p.lines.Buffer(nil, 16<<20)
	first := strings.Fields(p.next())
	if len(first) != 2 || first[0] != "toy" && first[0] != "toyset" {
		return nil, p.short("its first line")
	}
	n, err := strconv.Atoi(first[1])
	if err != nil || n < 1 {
		return nil, p.wrong("has no number of recordings")
	}
	p.numbers = p.lines
	if first[0] == "toyset" {
		if data == nil {
			return nil, p.short("its .dat file")
		}
		p.numbers = bufio.NewScanner(bytes.NewReader(data))
	}
	var out []format.Record
	for range n {
		rec, err := p.record()
		if err != nil {
			return nil, err
		}
		out = append(out, rec)
	}
	return out, nil
}

type parser struct {
	name    string
	line    int
	lines   *bufio.Scanner
	numbers *bufio.Scanner
}

func (p *parser) next() string {
	p.line++
	p.lines.Scan()
	return p.lines.Text()
}

func (p *parser) short(what string) error {
	return &format.Error{File: p.name, Line: p.line, What: "ends before " + what, Err: format.ErrIncomplete}
}

func (p *parser) wrong(what string) error {
	return &format.Error{File: p.name, Line: p.line, What: what}
}

func (p *parser) record() (rec format.Record, err error) {
	var samples int
	var at string
	line := p.next()
	if line == "" {
		return rec, p.short("a recording")
	}
	if line == "panic" {
		panic("toy")
	}
	if _, err := fmt.Sscanf(line, "record %d %d %s", &samples, &rec.Trigger, &at); err != nil || samples < 1 || samples > 1<<20 {
		return rec, p.wrong(fmt.Sprintf("has %q where a recording begins", line))
	}
	if at != "-" {
		if rec.Time, err = time.Parse(time.RFC3339Nano, at); err != nil {
			return rec, p.wrong("has no time")
		}
	}
	rec.Channels = []capture.Channel{{Name: "current", Unit: "A", Role: capture.RoleCurrent}}
	rec.Timing = capture.Timing{Samples: samples, Interval: 0.001}
	var s capture.Series
	scan := p.lines
	for len(s) < samples {
		if scan == p.lines {
			p.line++
		}
		if !scan.Scan() {
			return rec, p.short("its last sample")
		}
		word, rest, _ := strings.Cut(scan.Text(), " ")
		switch word {
		case "field":
			name, value, _ := strings.Cut(rest, " ")
			rec.Fields = append(rec.Fields, format.Field{Name: name, Value: value})
		case "warning":
			rec.Warnings = append(rec.Warnings, rest)
		case "numbers": // the others are in the second file
			scan = p.numbers
		default:
			v, err := strconv.ParseFloat(word, 64)
			if err != nil {
				return rec, p.wrong(fmt.Sprintf("has %q where a sample is due", word))
			}
			s = append(s, v)
		}
	}
	if end := p.next(); end != "end" {
		return rec, p.short("its end")
	}
	rec.Series = []capture.Series{s}
	return rec, nil
}

// Recording is one recording as Write writes it.
type Recording struct {
	Samples []float64
	Trigger int
	Time    time.Time
	Fields  []string // "name value"
	Warning string
}

// Write is a file of recordings.
func Write(list ...Recording) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "toy %d\n", len(list))
	for _, r := range list {
		r.head(&b)
		b.Write(numbers(r))
		b.WriteString("end\n")
	}
	return b.Bytes()
}

// WriteSet is one recording as a header and a file of its numbers.
func WriteSet(r Recording) (cfg, dat []byte) {
	var b bytes.Buffer
	b.WriteString("toyset 1\n")
	r.head(&b)
	b.WriteString("numbers\nend\n")
	return b.Bytes(), numbers(r)
}

func (r Recording) head(b *bytes.Buffer) {
	at := "-"
	if !r.Time.IsZero() {
		at = r.Time.Format(time.RFC3339Nano)
	}
	fmt.Fprintf(b, "record %d %d %s\n", len(r.Samples), r.Trigger, at)
	for _, f := range r.Fields {
		fmt.Fprintf(b, "field %s\n", f)
	}
	if r.Warning != "" {
		fmt.Fprintf(b, "warning %s\n", r.Warning)
	}
}

func numbers(r Recording) []byte {
	var b bytes.Buffer
	for _, v := range r.Samples {
		fmt.Fprintln(&b, v)
	}
	return b.Bytes()
}
