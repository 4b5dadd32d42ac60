package delimited

import (
	"bytes"
	"fmt"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

var (
	markUTF8  = []byte{0xEF, 0xBB, 0xBF}
	markUTF16 = [][]byte{{0xFF, 0xFE}, {0xFE, 0xFF}}
)

// decodeText turns a file's bytes into UTF-8 without a byte order mark. Text
// in one byte a letter is read as Windows-1252, of which Latin-1 is a part in
// all that files really hold.
func decodeText(b []byte, encoding string) (text []byte, name string, err error) {
	if encoding == "" {
		encoding = guessEncoding(b)
	}
	switch encoding {
	case "utf-16":
		// The byte order mark decides; without one Windows' order is taken, since its programs write such files.
		text, err = unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewDecoder().Bytes(b)
	case "latin-1":
		text, err = charmap.Windows1252.NewDecoder().Bytes(b)
	default:
		text = bytes.TrimPrefix(b, markUTF8)
		if !utf8.Valid(text) {
			err = fmt.Errorf("byte %d is no UTF-8", invalidAt(text))
		}
	}
	if bytes.IndexByte(text, '\n') < 0 && bytes.IndexByte(text, '\r') >= 0 {
		text = bytes.ReplaceAll(text, []byte{'\r'}, []byte{'\n'}) // a carriage return alone ends each line
	}
	return text, encoding, err
}

func guessEncoding(b []byte) string {
	for _, mark := range markUTF16 {
		if bytes.HasPrefix(b, mark) {
			return "utf-16"
		}
	}
	// Every other byte of the first numbers and delimiters is zero.
	if n := min(len(b), 64) &^ 1; n >= 8 {
		zeros := 0
		for i := 1; i < n; i += 2 {
			if b[i] == 0 {
				zeros++
			}
		}
		if zeros > n/4 {
			return "utf-16"
		}
	}
	if utf8.Valid(bytes.TrimPrefix(b, markUTF8)) {
		return "utf-8"
	}
	return "latin-1"
}

func invalidAt(b []byte) int {
	for at := 0; at < len(b); {
		r, n := utf8.DecodeRune(b[at:])
		if r == utf8.RuneError && n == 1 {
			return at
		}
		at += n
	}
	return len(b)
}

// row is one line of the text: its number in the file, from 1, and its bytes
// without the line end. A quoted cell may hold line ends; then the row goes on
// over them.
type row struct {
	line int
	text []byte
	end  int  // where the next row begins
	cut  bool // the file ends before its line does
}

// longestLine bounds a row: no table that makes sense has a longer one.
const longestLine = 1 << 20

// next is the row that begins at offset at, line number line.
func next(text []byte, at, line int) (r row, tooLong bool) {
	r = row{line: line}
	quoted := false
	end := at
	for {
		i := bytes.IndexByte(text[end:], '\n')
		piece := text[end:]
		if i >= 0 {
			piece = text[end : end+i]
		}
		if bytes.IndexByte(piece, '"') >= 0 && bytes.Count(piece, []byte{'"'})%2 == 1 {
			quoted = !quoted
		}
		if i < 0 {
			r.end, r.cut = len(text), true
			break
		}
		end += i + 1
		r.end = end
		if !quoted || end-at > longestLine {
			break
		}
	}
	r.text = bytes.TrimRight(text[at:r.end], "\r\n")
	return r, len(r.text) > longestLine
}

// cells splits a row, quotes taken away (RFC 4180). They share buf's memory.
func cells(text []byte, delimiter byte, buf [][]byte) [][]byte {
	buf = buf[:0]
	if delimiter == ' ' {
		for len(buf) <= mostCells {
			text = bytes.TrimLeft(text, " ")
			if len(text) == 0 {
				return buf
			}
			i := bytes.IndexByte(text, ' ')
			if i < 0 {
				i = len(text)
			}
			buf, text = append(buf, text[:i]), text[i:]
		}
		return buf
	}
	for {
		if len(buf) > mostCells {
			return append(buf, text)
		}
		rest := bytes.TrimLeft(text, " ")
		if len(rest) > 0 && rest[0] == '"' {
			cell, after, ok := quotedCell(rest[1:], delimiter)
			buf = append(buf, cell)
			if !ok {
				return buf
			}
			text = after
			continue
		}
		i := bytes.IndexByte(text, delimiter)
		if i < 0 {
			return append(buf, bytes.TrimSpace(text))
		}
		buf = append(buf, bytes.TrimSpace(text[:i]))
		text = text[i+1:]
	}
}

// quotedCell reads to the closing quote; ok tells that another cell follows.
func quotedCell(text []byte, delimiter byte) (cell, after []byte, ok bool) {
	var out []byte
	for {
		i := bytes.IndexByte(text, '"')
		if i < 0 {
			return append(out, text...), nil, false
		}
		out = append(out, text[:i]...)
		text = text[i+1:]
		if len(text) > 0 && text[0] == '"' {
			out, text = append(out, '"'), text[1:]
			continue
		}
		d := bytes.IndexByte(text, delimiter)
		if d < 0 {
			return out, nil, false
		}
		return out, text[d+1:], true
	}
}
