package faultcode

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"faultkeep/configs/strict"
	"faultkeep/store/capture"
)

type fileTable struct {
	Name   string              `yaml:"name"`
	Note   string              `yaml:"note"`
	Shown  string              `yaml:"shown"`
	Prefix string              `yaml:"prefix"`
	Digits int                 `yaml:"digits" range:"1..10"`
	Codes  map[string]fileCode `yaml:"codes"`
}

// fileCode is a name, or a name with what else is known.
type fileCode struct {
	Name     string `yaml:"name"`
	Class    string `yaml:"class"`
	Severity string `yaml:"severity"`
}

func (c *fileCode) UnmarshalPlain(text string) (problem, hint string) {
	if text == "" {
		return "is empty", "say what the code means"
	}
	c.Name = text
	return "", ""
}

var styles = []string{"hex4", "decimal", "prefix"}

// Parse reads and checks a fault table file. Where it returns problems, the
// table must not be used.
func Parse(file string, src []byte) (*Table, strict.Problems) {
	var in fileTable
	doc, problems := strict.Decode(file, src, &in)
	c := &checker{doc: doc, in: &in, t: &Table{Name: in.Name, Note: in.Note, codes: map[uint32]entry{}}}
	if doc.Readable() {
		c.top()
		c.codes()
	}
	return c.t, append(problems, c.problems...).Sorted()
}

type checker struct {
	doc      *strict.Doc
	in       *fileTable
	t        *Table
	problems strict.Problems
}

func (c *checker) report(path, text, hint string) {
	c.problems = append(c.problems, c.doc.Problem(path, text, hint))
}

func (c *checker) top() {
	if c.in.Name == "" && c.doc.Clean("name") {
		c.report("name", "is missing", "name the drive model or the standard that the codes are of")
	}
	if len(c.in.Codes) == 0 && c.doc.Clean("codes") {
		c.report("codes", "is missing", "list the codes, such as 17: Motor blocked")
	}
	switch c.in.Shown {
	case "hex4":
		c.t.style.hex = true
	case "", "decimal":
	case "prefix":
		c.t.style.prefix = c.in.Prefix
		if c.in.Prefix == "" && c.doc.Clean("prefix") {
			c.report("prefix", "is missing", "write what stands before the number, such as prefix: F")
		}
	default:
		c.report("shown", fmt.Sprintf("is %q, which is not a way to show codes", c.in.Shown), strict.Choice(c.in.Shown, styles))
		return
	}
	c.t.style.digits = c.in.Digits
	if c.doc.Has("prefix") && c.in.Shown != "prefix" {
		c.report("prefix", "is given, but codes are not shown with a prefix", "write shown: prefix, or leave it out")
	}
	if c.doc.Has("digits") && c.t.style.hex {
		c.report("digits", "is given for codes shown as four hexadecimal digits", "leave it out")
	}
}

// found is a key of codes with the codes it names.
type found struct {
	key         string
	first, last uint32
}

func (c *checker) codes() {
	var all []found
	for _, key := range slices.Sorted(maps.Keys(c.in.Codes)) {
		path := "codes." + key
		first, last, problem, hint := codeRange(key)
		if problem != "" {
			c.problems = append(c.problems, c.doc.KeyProblem(path, problem, hint))
			continue
		}
		all = append(all, found{key, first, last})
		e := c.entry(path, c.in.Codes[key])
		if first == last {
			c.t.codes[first] = e
		} else {
			c.t.ranges = append(c.t.ranges, span{first, last, e})
		}
	}
	c.doubles(all)
	slices.SortFunc(c.t.ranges, func(a, b span) int { return cmp.Compare(a.first, b.first) })
}

func (c *checker) entry(path string, in fileCode) entry {
	e := entry{in.Name, capture.Class(in.Class), capture.Severity(cmp.Or(in.Severity, string(capture.Alarm)))}
	if in.Name == "" && c.doc.Clean(path) {
		c.report(path+".name", "is missing", "say what the code means")
	}
	if in.Class != "" && !slices.Contains(capture.Classes, e.class) {
		c.report(path+".class", fmt.Sprintf("is %q, which is not a class", in.Class), strict.Choice(in.Class, texts(capture.Classes)))
	}
	if !slices.Contains(capture.Severities, e.severity) {
		c.report(path+".severity", fmt.Sprintf("is %q, which is not a severity", in.Severity), strict.Choice(in.Severity, texts(capture.Severities)))
	}
	return e
}

// doubles refuses codes that are named twice: one written 17 and 0x11, and
// ranges that overlap. A single code inside a range is an exception to it.
func (c *checker) doubles(all []found) {
	line := func(f found) int { return c.doc.KeyProblem("codes."+f.key, "", "").Line }
	slices.SortFunc(all, func(a, b found) int {
		return cmp.Or(cmp.Compare(a.first, b.first), cmp.Compare(a.last, b.last), cmp.Compare(line(a), line(b)))
	})
	var single, wide *found
	for i := range all {
		f := &all[i]
		before := &single
		if f.first != f.last {
			before = &wide
		}
		if *before != nil && (*before).last >= f.first {
			c.problems = append(c.problems, c.doc.KeyProblem("codes."+f.key, fmt.Sprintf("names a code that %s names too", (*before).key), "delete one of them, or part the ranges"))
		}
		if *before == nil || f.last > (*before).last {
			*before = f
		}
	}
}

// codeRange reads 0x2311, 17, 0x1000-0x10FF.
func codeRange(key string) (first, last uint32, problem, hint string) {
	from, to, isRange := strings.Cut(key, "-")
	first, problem, hint = code(strings.TrimSpace(from))
	if problem != "" || !isRange {
		return first, first, problem, hint
	}
	if last, problem, hint = code(strings.TrimSpace(to)); problem != "" {
		return 0, 0, problem, hint
	}
	if last < first {
		return 0, 0, "is a range that ends before it begins", fmt.Sprintf("write %s-%s", to, from)
	}
	return first, last, "", ""
}

func code(text string) (code uint32, problem, hint string) {
	n, problem, hint := strict.Whole(text)
	switch {
	case problem != "":
		return 0, "as a code " + problem, hint
	case n == 0:
		return 0, "is code 0, which means that there is no fault", "delete it"
	case n < 0 || n > math.MaxUint32:
		return 0, fmt.Sprintf("as a code is %s, wanted 1 to 4294967295", text), ""
	}
	return uint32(n), "", ""
}

func texts[T ~string](words []T) []string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = string(w)
	}
	return out
}
