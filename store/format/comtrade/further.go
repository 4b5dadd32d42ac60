package comtrade

import (
	"fmt"
	"strconv"
	"strings"

	"faultkeep/store/format"
)

// maxFields is how many fields of a .inf are taken.
const maxFields = 1000

// fields are what the .cfg says beside samples and times.
func (c *config) fields() []format.Field {
	out := []format.Field{{Name: "station", Value: c.station}, {Name: "device", Value: c.device},
		{Name: "edition", Value: strconv.Itoa(int(c.edition))}, {Name: "file type", Value: string(c.data)}}
	add := func(name, value string) {
		if value != "" {
			out = append(out, format.Field{Name: name, Value: value})
		}
	}
	if c.frequency != 0 {
		add("line frequency", fmt.Sprintf("%g Hz", c.frequency))
	}
	add("time code", c.zone)
	add("local code", c.local)
	add("time quality", quality(c.quality))
	add("leap second", leap(c.leap))
	for _, a := range c.analog {
		add("channel "+a.name, a.about())
	}
	for _, s := range c.status {
		add("channel "+s.name, s.about())
	}
	return out
}

// about is what tells an analog channel from a plain one.
func (a analog) about() string {
	var parts []string
	add := func(form string, args ...any) { parts = append(parts, fmt.Sprintf(form, args...)) }
	if a.phase != "" {
		add("phase %s", a.phase)
	}
	if a.circuit != "" {
		add("circuit %s", a.circuit)
	}
	if a.skew != 0 {
		add("sampled %g µs after the time of its sample", a.skew)
	}
	if a.primary != a.secondary {
		add("ratio %g:%g", a.primary, a.secondary)
		if a.side != AsWritten {
			add("%s values", a.side)
		}
	}
	return strings.Join(parts, ", ")
}

func (s status) about() string {
	var parts []string
	if s.phase != "" {
		parts = append(parts, "phase "+s.phase)
	}
	if s.circuit != "" {
		parts = append(parts, "circuit "+s.circuit)
	}
	if s.normal != 0 {
		parts = append(parts, "normally 1")
	}
	return strings.Join(parts, ", ")
}

// qualities are the time qualities by their codes 0 to F, after IEEE C37.118
// (from memory).
var qualities = [16]string{"clock locked", "within 1 ns", "within 10 ns", "within 100 ns", "within 1 µs", "within 10 µs", "within 100 µs",
	"within 1 ms", "within 10 ms", "within 100 ms", "within 1 s", "within 10 s", "", "", "", "clock not reliable"}

func quality(code string) string {
	n, err := strconv.ParseUint(code, 16, 4)
	if err != nil || qualities[n] == "" {
		return code
	}
	return qualities[n]
}

// leap is leapsec in words (from memory).
func leap(code string) string {
	switch code {
	case "0":
		return "none in the record"
	case "1":
		return "added in the record"
	case "2":
		return "removed in the record"
	}
	return "" // 3: the clock can't tell
}

// further are the fields of .hdr and .inf: the header's whole text, and each
// entry of the information file.
func further(p pieces, n *notes) []format.Field {
	var out []format.Field
	if s := strings.TrimSpace(strings.Trim(note(p.hdr, n), "\x1a\x00")); s != "" {
		out = append(out, format.Field{Name: "header", Value: s})
	}
	for _, line := range strings.FieldsFunc(note(p.inf, n), func(r rune) bool { return r == '\n' || r == '\r' }) {
		name, value, ok := strings.Cut(line, "=")
		name = strings.ToLower(strings.TrimSpace(name))
		if !ok || name == "" || strings.HasPrefix(name, ";") {
			continue
		}
		if len(out) == maxFields {
			n.add("entries", "%s has more than %d entries, of which the first were taken", p.inf.name, maxFields)
			break
		}
		out = append(out, format.Field{Name: name, Value: strings.TrimSpace(value)})
	}
	return out
}

// note is the text of a .hdr or .inf.
func note(p part, n *notes) string {
	b := p.bytes
	if len(b) > maxNotes {
		b = b[:maxNotes]
		n.add("long "+p.name, "%s has %d bytes, of which the first %d were taken", p.name, len(p.bytes), maxNotes)
	}
	s, latin := legibly(b)
	if latin {
		n.add("latin "+p.name, "%s isn't UTF-8; it was read as ISO 8859-1", p.name)
	}
	return strings.TrimPrefix(s, "\uFEFF")
}
