package strict

import (
	"reflect"

	"github.com/goccy/go-yaml/ast"
)

// Bounds that no file people edit comes near. They keep a hostile file from
// costing more than about a second and some hundred megabytes.
const (
	maxBytes    = 512 << 10
	maxLines    = 20_000
	maxDepth    = 32
	maxProblems = 100
)

// Plain is a type that can be written as one plain value, such as a Duration.
// A struct that implements it can be written either way: plain, or as a mapping of its fields.
type Plain interface {
	// UnmarshalPlain reads the text as written in the file, without quotes.
	// It returns what is wrong, in words that follow the field's name, and what
	// to do; problem is empty where nothing is wrong.
	UnmarshalPlain(text string) (problem, hint string)
}

// Decode reads src into out, a pointer to a struct whose fields carry `yaml:"key"`
// tags, and returns every problem of the file at once, in the order of lines.
// Fields that the file leaves out keep what out held before, so out carries
// the defaults. The Doc is never nil; it places the problems that later checks find.
//
// Fields are strings, bools, whole numbers, floats, Durations, Sizes, other
// Plain types, structs, and slices, maps (by text or whole number) and pointers of
// these. `yaml:",inline"` takes a struct's fields into the one around it;
// `range:"1..125"` bounds a number. Anchors, aliases, merge keys and tags are
// refused: what stands in the file is what is meant.
func Decode(file string, src []byte, out any) (*Doc, Problems) {
	doc := newDoc(file)
	into := reflect.ValueOf(out)
	if into.Kind() != reflect.Pointer || into.Elem().Kind() != reflect.Struct {
		panic("strict: out must be a pointer to a struct")
	}
	root, problems := parse(file, src)
	if problems != nil {
		doc.unread = true
		return doc, problems
	}
	r := &reader{doc: doc}
	r.value(root, into.Elem(), "", "")
	problems = r.problems.Sorted()
	if len(problems) > maxProblems {
		problems = append(problems[:maxProblems], Problem{File: file,
			Text: "has more problems than are listed here", Hint: "mend these first"})
	}
	return doc, problems
}

// reader walks the syntax tree and the Go value together.
type reader struct {
	doc      *Doc
	problems Problems
}

func (r *reader) report(n ast.Node, path, text, hint string) {
	r.doc.bad = append(r.doc.bad, path)
	if len(r.problems) > maxProblems {
		return
	}
	at := place(n)
	r.problems = append(r.problems, Problem{File: r.doc.file, Line: at.line, Column: at.column, Field: path, Text: text, Hint: hint})
}

// value reads node n into v. wanted says in words what v is, where the caller knows better.
func (r *reader) value(n ast.Node, v reflect.Value, path, rangeTag string) {
	switch n.(type) {
	case *ast.AnchorNode, *ast.AliasNode:
		r.report(n, path, "uses an anchor or alias (& or *)", "write the value out")
		return
	case *ast.TagNode:
		r.report(n, path, "has a tag (!)", "leave the tag out")
		return
	}
	if v.Kind() == reflect.Pointer {
		if _, none := n.(*ast.NullNode); none {
			return
		}
		fresh := reflect.New(v.Type().Elem())
		if !v.IsNil() {
			fresh.Elem().Set(v.Elem())
		}
		r.value(n, fresh.Elem(), path, rangeTag)
		v.Set(fresh)
		return
	}
	if plain, ok := v.Addr().Interface().(Plain); ok {
		if text, _, isScalar := scalar(n); isScalar {
			if problem, hint := plain.UnmarshalPlain(text); problem != "" {
				r.report(n, path, problem, hint)
			}
			return
		}
		if v.Kind() != reflect.Struct {
			r.mismatch(n, path, "one value")
			return
		}
	}
	switch v.Kind() {
	case reflect.Struct:
		r.structure(n, v, path)
	case reflect.Slice:
		r.slice(n, v, path, rangeTag)
	case reflect.Map:
		r.mapping(n, v, path)
	default:
		r.scalar(n, v, path, rangeTag)
	}
}

// mismatch says that n is of the wrong shape.
func (r *reader) mismatch(n ast.Node, path, wanted string) {
	text, quoted, isScalar := scalar(n)
	switch {
	case isNull(n):
		r.report(n, path, "has no value, wanted "+wanted, "write one, or leave the key out")
	case isScalar:
		r.report(n, path, describe(text, quoted)+", wanted "+wanted, "")
	case isList(n):
		r.report(n, path, "is a list, wanted "+wanted, "")
	default:
		r.report(n, path, "is a set of keys, wanted "+wanted, "")
	}
}
