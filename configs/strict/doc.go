package strict

import (
	"cmp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// Doc knows where everything stands in a file that was read. Paths are written
// as in Problem.Field: drives[2].poll, signals.3.name.
type Doc struct {
	file   string
	keys   map[string]position
	values map[string]position
	null   map[string]bool
	bad    []string // paths with problems
	unread bool     // the file isn't YAML at all
}

type position struct{ line, column int }

func newDoc(file string) *Doc {
	return &Doc{file: file, keys: map[string]position{}, values: map[string]position{}, null: map[string]bool{}}
}

// put notes where an entry stands. A value that spans lines is placed at its key.
func (d *Doc) put(path string, entry *ast.MappingValueNode) {
	d.keys[path] = place(entry.Key)
	d.values[path] = place(entry.Value)
	if _, _, plain := scalar(entry.Value); !plain {
		d.values[path] = d.keys[path]
	}
	d.null[path] = isNull(entry.Value)
}

func place(n ast.Node) position {
	tk := n.GetToken()
	switch n := n.(type) {
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return place(n.Values[0].Key)
		}
	case *ast.MappingValueNode:
		return place(n.Key)
	}
	if tk == nil || tk.Position == nil {
		return position{}
	}
	return position{max(tk.Position.Line, 1), max(tk.Position.Column, 1)}
}

// Problem places a problem at a value, or, where the path isn't in the file,
// at the innermost part of the path that is.
func (d *Doc) Problem(path, text, hint string) Problem {
	return d.locate(d.values, path, text, hint)
}

// KeyProblem places a problem at the key of a value.
func (d *Doc) KeyProblem(path, text, hint string) Problem {
	return d.locate(d.keys, path, text, hint)
}

func (d *Doc) locate(where map[string]position, path, text, hint string) Problem {
	p := Problem{File: d.file, Field: path, Text: text, Hint: hint}
	for at := path; at != ""; at = parent(at) {
		pos, ok := where[at]
		if !ok {
			pos, ok = d.values[at]
		}
		if ok {
			p.Line, p.Column = pos.line, pos.column
			break
		}
	}
	return p
}

func parent(path string) string { return path[:max(0, strings.LastIndexAny(path, ".["))] }

// Has tells whether the file gives the path a value.
func (d *Doc) Has(path string) bool {
	_, ok := d.values[path]
	return ok && !d.null[path]
}

// Readable tells whether the file is a set of keys at all; later checks of
// anything else would only find everything missing.
func (d *Doc) Readable() bool { return !d.unread && !slices.Contains(d.bad, "") }

// Clean tells whether nothing was found wrong at the path, in it or in what
// holds it: a later check of its value makes sense.
func (d *Doc) Clean(path string) bool {
	if d.unread {
		return false
	}
	for _, bad := range d.bad {
		if bad == path || bad == "" || under(bad, path) || under(path, bad) {
			return false
		}
	}
	return true
}

func under(path, top string) bool {
	return strings.HasPrefix(path, top) && (path[len(top)] == '.' || path[len(top)] == '[')
}

// Sorted are the problems by file, line and column, without doubles.
func (p Problems) Sorted() Problems {
	out := slices.Clone(p)
	slices.SortStableFunc(out, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return slices.Compact(out)
}
