package comtrade

import (
	"bytes"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"faultkeep/store/format"
)

// separator begins a section of a .cff, as "--- file type: DAT BINARY: 4214 ---".
var separator = regexp.MustCompile(`(?i)^\s*-{3,}\s*file\s+type\s*:\s*([a-z]{3})(?:\s+([a-z0-9]+))?\s*(?::\s*(\d+))?\s*-{3,}\s*$`)

// heading is what a separator says.
type heading struct {
	kind string // "CFG", "INF", "HDR" or "DAT"
	data Data   // how the samples are written
	size string // of the samples in bytes; empty: not told
}

// marker reads a separator; ok is false for any other line.
func marker(line []byte) (h heading, ok bool) {
	if len(line) > 200 || !bytes.HasPrefix(bytes.TrimLeft(line, " \t"), []byte("---")) {
		return h, false
	}
	f := separator.FindSubmatch(line)
	if f == nil {
		return h, false
	}
	return heading{strings.ToUpper(string(f[1])), Data(strings.ToUpper(string(f[2]))), string(f[3])}, true
}

// split finds the sections of a .cff.
func split(whole part, n *notes) (pieces, error) {
	var p pieces
	if bytes.HasPrefix(whole.bytes, mark) {
		whole.bytes = whole.bytes[len(mark):]
		n.add("mark", "%s begins with a byte order mark, which was passed over", whole.name)
	}
	t := newText(whole.bytes)
	var open *part // the section that goes on until the next separator
	begin := 0
	for {
		before := len(whole.bytes) - len(t.rest)
		line, more := t.next()
		h, found := marker(line)
		if !found && more {
			continue
		}
		if open != nil {
			open.bytes = whole.bytes[begin:before]
		}
		if !more {
			break
		}
		open = p.section(h.kind)
		if open == nil || open.there {
			n.add("section", "%s line %d begins a section %s that was passed over", whole.name, t.line, h.kind)
			open = nil
			continue
		}
		*open = part{name: whole.name, line: t.line, there: true, inside: true}
		begin = len(whole.bytes) - len(t.rest)
		if h.kind == "DAT" {
			p.data = h.data
			if h.data != ASCII {
				if err := p.samples(t, h, n); err != nil {
					return p, err
				}
				open = nil
			}
		}
	}
	return p, p.check(whole)
}

// section is the part that a separator begins, nil for one that there is none of.
func (p *pieces) section(kind string) *part {
	switch kind {
	case "CFG":
		return &p.cfg
	case "DAT":
		return &p.dat
	case "HDR":
		return &p.hdr
	case "INF":
		return &p.inf
	}
	return nil
}

// samples cuts binary data off the text by their size: they may hold anything,
// separators too.
func (p *pieces) samples(t *text, h heading, n *notes) error {
	size := int64(len(t.rest))
	if h.size == "" {
		n.add("size", "%s line %d doesn't tell the size of its binary data, which were taken to reach to the end", p.dat.name, t.line)
	} else {
		told, err := strconv.ParseInt(h.size, 10, 64)
		if err != nil {
			return &format.Error{File: p.dat.name, Line: t.line, What: "has the size " + quoted(h.size) + ", which is too large"}
		}
		if told > size {
			return &format.Error{File: p.dat.name, Line: t.line, What: fmt.Sprintf("announces %d bytes of samples and is followed by %d", told, size),
				Hint: "it may still be being written, or was cut off", Err: format.ErrIncomplete}
		}
		size = told
	}
	p.dat.bytes, t.rest = t.rest[:size], t.rest[size:]
	return nil
}

// check tells which section is missing.
func (p *pieces) check(whole part) error {
	for _, one := range []struct {
		name  string
		there bool
	}{{"CFG", p.cfg.there}, {"DAT", p.dat.there}} {
		if !one.there {
			return &format.Error{File: whole.name, What: "has no section " + one.name,
				Hint: "it may still be being written, or was cut off", Err: format.ErrIncomplete}
		}
	}
	return nil
}
