package parquet

import (
	"fmt"
	"strings"
	"unicode"
)

// longest is how many characters of a name are kept, before what makes it unique.
const longest = 64

// legal is a name of letters, numbers and marks only, anything else between
// them as one "_"; or otherwise, where none of them is in it.
func legal(name, otherwise string) string {
	var out []rune
	for _, r := range name {
		switch {
		case unicode.IsLetter(r) || unicode.IsNumber(r) || unicode.IsMark(r):
			out = append(out, r)
		case len(out) > 0 && out[len(out)-1] != '_':
			out = append(out, '_')
		}
		if len(out) == longest {
			break
		}
	}
	if s := strings.TrimRight(string(out), "_"); s != "" {
		return s
	}
	return otherwise
}

// names counts how often each name was asked for, in lower case: to most
// readers of tables SPEED and speed are one.
type names map[string]int

// unique is a legal name, numbered if it is taken.
func (n names) unique(name string) string {
	key := strings.ToLower(name)
	n[key]++
	if n[key] == 1 {
		return name
	}
	for {
		numbered := fmt.Sprintf("%s_%d", name, n[key])
		if n[strings.ToLower(numbered)] == 0 {
			n[strings.ToLower(numbered)]++
			return numbered
		}
		n[key]++
	}
}
