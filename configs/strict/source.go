package strict

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// parse makes the syntax tree of a file that holds one document. The parser's
// cost grows with the square of lines and of nesting, so both are bounded first.
func parse(file string, src []byte) (root ast.Node, problems Problems) {
	fail := func(line, column int, text, hint string) (ast.Node, Problems) {
		return nil, Problems{{File: file, Line: line, Column: column, Text: text, Hint: hint}}
	}
	if bytes.HasPrefix(src, []byte("\xff\xfe")) || bytes.HasPrefix(src, []byte("\xfe\xff")) {
		return fail(0, 0, "is saved as UTF-16", "save it as UTF-8")
	}
	src = bytes.TrimPrefix(src, []byte("\xef\xbb\xbf"))
	src = bytes.ReplaceAll(src, []byte("\r\n"), []byte("\n"))
	if len(src) > maxBytes {
		return fail(0, 0, fmt.Sprintf("has %d bytes; the most is %d", len(src), maxBytes), "split it, or check that it is the right file")
	}
	lines := bytes.Split(src, []byte("\n"))
	if len(lines) > maxLines {
		return fail(0, 0, fmt.Sprintf("has %d lines; the most is %d", len(lines), maxLines), "split it, or check that it is the right file")
	}
	for i, line := range lines {
		if at, what := foreign(line); at >= 0 {
			return fail(i+1, utf8.RuneCount(line[:at])+1, what, "save it as UTF-8 text")
		}
	}
	defer func() {
		// The parser is the one thing here that isn't ours; a file it trips
		// over must not end the process that watches drives.
		if recover() != nil {
			root, problems = fail(0, 0, "can't be read as YAML", "check brackets, quotes and indentation")
		}
	}()
	tokens := lexer.Tokenize(string(src))
	if tk := deep(tokens); tk != nil {
		return fail(tk.Position.Line, tk.Position.Column, fmt.Sprintf("is nested more than %d levels deep", maxDepth), "check brackets, hyphens and indentation")
	}
	tree, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, syntax(file, lines, err)
	}
	docs := tree.Docs
	for len(docs) > 1 && docs[0].Body == nil {
		docs = docs[1:]
	}
	switch {
	case len(docs) == 0 || docs[0].Body == nil || isNull(docs[0].Body):
		return fail(0, 0, "is empty", "")
	case len(docs) > 1:
		at := position{}
		if start := docs[1].Start; start != nil {
			at = position{start.Position.Line, start.Position.Column}
		}
		return fail(at.line, at.column, "holds a second document (---)", "put it into a file of its own")
	}
	return docs[0].Body, nil
}

// foreign finds what can't be in a text file: bytes that aren't UTF-8, control characters.
func foreign(line []byte) (at int, what string) {
	for at := 0; at < len(line); {
		r, n := utf8.DecodeRune(line[at:])
		switch {
		case r == utf8.RuneError && n == 1:
			return at, "has a byte that isn't UTF-8"
		case r < ' ' && r != '\t' || r == 0x7f:
			return at, fmt.Sprintf("has a control character (%02Xh)", r)
		}
		at += n
	}
	return -1, ""
}

// deep is the first token nested too deeply, or nil. Block nesting is seen by
// indentation and by hyphens in one line, flow nesting by brackets.
func deep(tokens token.Tokens) *token.Token {
	flow, inLine, line := 0, 0, 0
	var indents []int
	for _, tk := range tokens {
		if tk.Position.Line != line {
			line, inLine = tk.Position.Line, 0
			for len(indents) > 0 && indents[len(indents)-1] >= tk.Position.Column {
				indents = indents[:len(indents)-1]
			}
			indents = append(indents, tk.Position.Column)
		}
		switch tk.Type {
		case token.MappingStartType, token.SequenceStartType:
			flow++
		case token.MappingEndType, token.SequenceEndType:
			flow = max(0, flow-1)
		case token.SequenceEntryType, token.MappingKeyType, token.TagType, token.AnchorType:
			inLine++
		}
		if flow+inLine > maxDepth || flow == 0 && len(indents) > maxDepth {
			return tk
		}
	}
	return nil
}

// syntax puts the parser's complaint into plain words.
func syntax(file string, lines [][]byte, err error) Problems {
	var tabs Problems
	for i, line := range lines {
		indent := line[:len(line)-len(bytes.TrimLeft(line, " \t"))]
		if at := bytes.IndexByte(indent, '\t'); at >= 0 && len(indent) < len(line) {
			tabs = append(tabs, Problem{File: file, Line: i + 1, Column: at + 1, Text: "is indented with a tab", Hint: "use spaces"})
		}
	}
	if len(tabs) > 0 {
		return tabs[:min(len(tabs), maxProblems)]
	}
	p := Problem{File: file, Text: "can't be read as YAML", Hint: "check brackets, quotes and indentation"}
	var se *yaml.SyntaxError
	if !errors.As(err, &se) {
		return Problems{p}
	}
	if tk := se.GetToken(); tk != nil && tk.Position != nil {
		p.Line, p.Column = max(1, min(tk.Position.Line, len(lines))), max(1, tk.Position.Column)
	}
	p.Text = "can't be read as YAML from here on: " + se.GetMessage()
	for _, w := range []struct{ sign, text, hint string }{
		{"mapping value is not allowed", "has a second key or colon where a value ends", "check the indentation of this line and the next; put text that holds a colon into quotes"},
		{"non-map value is specified", "is not KEY: VALUE", "add the colon, or indent it under the key that it belongs to"},
		{"could not find end character", "opens a quote that is never closed", "close it"},
		{"must be specified", "opens a bracket that is never closed", "close it in this line or the one before"},
		{"could not find flow mapping end", "opens a brace { that is never closed", "close it"},
		{"sequence end token", "opens a bracket [ that is never closed", "close it"},
		{"value is not allowed in this context", "has a value where none can stand", "check brackets and indentation"},
		{"reserved character", "begins with a character that YAML reserves", "put the text into quotes"},
		{"unexpected directive", "begins with a character that YAML reserves", "put the text into quotes"},
	} {
		if strings.Contains(se.GetMessage(), w.sign) {
			p.Text, p.Hint = w.text, w.hint
			break
		}
	}
	return Problems{p}
}
