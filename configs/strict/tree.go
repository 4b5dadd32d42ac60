package strict

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// field is a struct field that a file can set.
type field struct {
	key   string
	index []int
	limit string // range tag
}

// fields lists a struct's fields in order, those of inline structs in their place.
func fields(t reflect.Type) []field {
	var all []field
	for i := range t.NumField() {
		f := t.Field(i)
		key, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch {
		case key == "-" || !f.IsExported() && !f.Anonymous:
		case option == "inline" || f.Anonymous && key == "":
			for _, inner := range fields(f.Type) {
				inner.index = append([]int{i}, inner.index...)
				all = append(all, inner)
			}
		default:
			if key == "" {
				key = strings.ToLower(f.Name)
			}
			all = append(all, field{key, []int{i}, f.Tag.Get("range")})
		}
	}
	return all
}

func (r *reader) structure(n ast.Node, v reflect.Value, path string) {
	if isNull(n) {
		return // every key under it is left out
	}
	entries, ok := entries(n)
	if !ok {
		r.mismatch(n, path, "a set of keys")
		return
	}
	known := fields(v.Type())
	keys := make([]string, len(known))
	for i, f := range known {
		keys[i] = f.key
	}
	seen := map[string]position{}
	for _, entry := range entries {
		name, ok := r.key(entry, path)
		if !ok {
			continue
		}
		at := join(path, name)
		if r.double(entry, seen, name, at) {
			continue
		}
		i := slices.Index(keys, name)
		if i < 0 {
			r.report(entry.Key, at, "is not a known key", Choice(name, keys))
			if meant := Nearest(name, keys); meant != "" {
				r.doc.bad = append(r.doc.bad, join(path, meant)) // so that nobody calls it missing
			}
			continue
		}
		r.doc.put(at, entry)
		r.value(entry.Value, v.FieldByIndex(known[i].index), at, known[i].limit)
	}
}

func (r *reader) slice(n ast.Node, v reflect.Value, path, rangeTag string) {
	if isNull(n) {
		return
	}
	list, ok := n.(*ast.SequenceNode)
	if !ok {
		r.mismatch(n, path, "a list")
		return
	}
	out := reflect.MakeSlice(v.Type(), len(list.Values), len(list.Values))
	for i, item := range list.Values {
		at := fmt.Sprintf("%s[%d]", path, i)
		r.doc.values[at] = place(item)
		if isNull(item) {
			r.report(item, at, "is an empty list entry", "fill it in or delete its hyphen")
			continue
		}
		r.value(item, out.Index(i), at, rangeTag)
	}
	v.Set(out)
}

func (r *reader) mapping(n ast.Node, v reflect.Value, path string) {
	if isNull(n) {
		return
	}
	entries, ok := entries(n)
	if !ok {
		r.mismatch(n, path, "a set of keys")
		return
	}
	out := reflect.MakeMapWithSize(v.Type(), len(entries))
	seen := map[string]position{}
	for _, entry := range entries {
		text, ok := r.key(entry, path)
		if !ok {
			continue
		}
		key := reflect.New(v.Type().Key()).Elem()
		if key.Kind() == reflect.String {
			key.SetString(text)
		} else if problem, hint := number(key, text, ""); problem != "" {
			r.report(entry.Key, join(path, text), "as a key "+problem, hint)
			continue
		}
		name := fmt.Sprint(key.Interface())
		at := join(path, name)
		if r.double(entry, seen, name, at) {
			continue
		}
		r.doc.put(at, entry)
		if text != name {
			r.doc.put(join(path, text), entry)
		}
		if isNull(entry.Value) {
			r.report(entry.Key, at, "has no value", "write one, or leave the key out")
			continue
		}
		value := reflect.New(v.Type().Elem()).Elem()
		r.value(entry.Value, value, at, "")
		out.SetMapIndex(key, value)
	}
	v.Set(out)
}

// key is the text of a key; what can't be one is reported.
func (r *reader) key(entry *ast.MappingValueNode, path string) (string, bool) {
	if _, merge := entry.Key.(*ast.MergeKeyNode); merge {
		r.report(entry.Key, path, "uses a merge key (<<)", "write the keys out")
		return "", false
	}
	if text, _, ok := scalar(entry.Key); ok {
		return text, true
	}
	if isNull(entry.Key) {
		return entry.Key.GetToken().Value, true
	}
	r.report(entry.Key, path, "has a key that is not plain text", "write KEY: VALUE")
	return "", false
}

func (r *reader) double(entry *ast.MappingValueNode, seen map[string]position, name, path string) bool {
	first, again := seen[name]
	if again {
		r.report(entry.Key, path, fmt.Sprintf("stands here for the second time; the first is in line %d", first.line), "delete one of them")
	}
	seen[name] = place(entry.Key)
	return again
}

// entries are the key-value pairs of a mapping node.
func entries(n ast.Node) ([]*ast.MappingValueNode, bool) {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}, true
	}
	return nil, false
}

func isList(n ast.Node) bool { _, ok := n.(*ast.SequenceNode); return ok }
func isNull(n ast.Node) bool { _, ok := n.(*ast.NullNode); return ok }

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}
