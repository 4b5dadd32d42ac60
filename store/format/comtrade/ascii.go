package comtrade

import (
	"bytes"
	"context"
	"math"

	"faultkeep/store/capture"
)

const (
	missingText = 99999 // stands for a missing analog value
	endOfFile   = 0x1A  // ends a data file in text
	maxNumber   = 64    // characters of a number
	maxStamp    = 1e15  // counts; the standard allows 10 digits
)

// countRows is how many lines hold something, up to the end-of-file mark.
func countRows(b []byte) int {
	n := 0
	for t := newText(b); ; {
		line, ok := t.next()
		if !ok || len(line) > 0 && line[0] == endOfFile {
			return n
		}
		if !blank(line) {
			n++
		}
	}
}

func blank(line []byte) bool {
	for _, c := range line {
		if c != ' ' && c != '\t' && c != '\r' && c != 0 {
			return false
		}
	}
	return true
}

// ascii decodes rows "n,timestamp,A1,…,D1,…" into out.
func (in *input) ascii(ctx context.Context, out []capture.Series) error {
	t := newText(in.part.bytes)
	row := &row{in: in, out: out, text: t, scales: make([]scale, len(in.cfg.analog))}
	for i, a := range in.cfg.analog {
		row.scales[i] = scaleOf(a.a, a.b)
	}
	for i := 0; i < in.samples; {
		line, _ := t.next() // countRows has seen them all
		if blank(line) {
			in.notes.add("blank rows", "%s has blank lines, the first at line %d", in.part.name, row.at())
			continue
		}
		if i%1024 == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		if i == 0 {
			row.separate(line)
		}
		if err := row.read(i, line); err != nil {
			return err
		}
		i++
	}
	in.ending(t)
	return nil
}

// ending looks at what comes after the last sample.
func (in *input) ending(t *text) {
	name := in.part.name
	if t.plain {
		in.notes.add("data line ends", "%s ends lines in LF alone where the standard wants CR and LF", name)
	}
	if len(t.rest) == 0 {
		if t.cut {
			in.notes.add("last line", "%s ends without a line end: the last number may lack digits", name)
		}
		if !in.part.inside {
			in.notes.add("end mark", "%s lacks the end-of-file mark", name)
		}
		return
	}
	marked, extra := false, 0
	for line, ok := t.next(); ok && !marked; line, ok = t.next() {
		marked = len(line) > 0 && line[0] == endOfFile
		if !marked && !blank(line) {
			extra++
		}
	}
	if extra > 0 {
		in.notes.add("surplus data", "%s goes on for %s after its last sample, passed over", name, some(extra, "line"))
	}
	if !marked && !in.part.inside {
		in.notes.add("end mark", "%s lacks the end-of-file mark", name)
	}
}

// row decodes one line.
type row struct {
	in        *input
	out       []capture.Series
	text      *text
	scales    []scale
	separator byte // ' ' stands for any run of blanks
}

func (r *row) at() int { return r.in.part.line + r.text.line }

// separate finds out what stands between the fields: a comma, unless the first
// row has none.
func (r *row) separate(line []byte) {
	r.separator = ','
	if bytes.IndexByte(line, ',') >= 0 {
		return
	}
	for _, other := range []byte{';', '\t', ' '} {
		if bytes.IndexByte(bytes.TrimSpace(line), other) >= 0 {
			r.separator = other
			r.in.notes.add("separator", "%s separates its fields by %q where the standard wants commas", r.in.part.name, other)
			return
		}
	}
}

// field cuts the next field off the line.
func (r *row) field(line []byte) (field, rest []byte) {
	if r.separator == ' ' {
		line = bytes.TrimLeft(line, " ")
	}
	end := bytes.IndexByte(line, r.separator)
	if end < 0 {
		return trim(line), nil
	}
	return trim(line[:end]), line[end+1:]
}

func trim(b []byte) []byte {
	for len(b) > 0 && b[0] <= ' ' {
		b = b[1:]
	}
	for len(b) > 0 && b[len(b)-1] <= ' ' {
		b = b[:len(b)-1]
	}
	return b
}

func (r *row) read(i int, line []byte) error {
	var f []byte
	f, line = r.field(line)
	number, ok, err := r.number(f)
	if err != nil {
		return err
	}
	if ok {
		r.in.numbered(i, number)
	}
	if line == nil {
		return r.wrong("look whether it belongs to this .cfg", "has 1 field, a sample of it has %d", len(r.out)+2)
	}
	f, line = r.field(line)
	stamp, ok, err := r.number(f)
	if err != nil {
		return err
	}
	if !ok {
		stamp = math.NaN()
	}
	if math.Abs(stamp) > maxStamp {
		return r.wrong("look whether the file is damaged", "has the time stamp %s, which no recorder counts to", quoted(string(f)))
	}
	r.in.stamp(i, stamp)
	for ch := range r.out {
		if line == nil {
			return r.lacking(i, ch)
		}
		f, line = r.field(line)
		v, err := r.value(ch, f)
		if err != nil {
			return err
		}
		r.out[ch][i] = v
	}
	if len(trim(line)) > 0 {
		return r.wrong("look whether it belongs to this .cfg", "has more fields than the %d of a sample", len(r.out)+2)
	}
	if line != nil && r.separator != ' ' {
		r.in.notes.add("trailing field", "%s line %d ends with a separator too many", r.in.part.name, r.at())
	}
	return nil
}

// lacking fills a row that ends before channel ch.
func (r *row) lacking(i, ch int) error {
	if r.text.cut {
		return r.wrong("it may still be being written, or was cut off", "ends in the middle of the last sample, after %d of %d channels", ch, len(r.out))
	}
	r.in.notes.add("lacking", "%s line %d has %d of %d channels; the others are missing there", r.in.part.name, r.at(), ch, len(r.out))
	for _, s := range r.out[ch:] {
		s[i] = math.NaN()
	}
	return nil
}

// value reads one channel's field; NaN where it is missing.
func (r *row) value(ch int, f []byte) (float64, error) {
	analogs := len(r.scales)
	if ch >= analogs && len(f) == 1 && (f[0] == '0' || f[0] == '1') {
		return float64(f[0] - '0'), nil
	}
	n, ok, err := r.number(f)
	switch {
	case err != nil:
		return 0, err
	case !ok:
		return math.NaN(), nil
	case ch < analogs && n == missingText:
		return math.NaN(), nil
	case ch < analogs:
		return r.scales[ch].value(n), nil
	case n == 0:
		return 0, nil
	}
	r.in.notes.add("status", "%s line %d has the status %s; whatever isn't 0 was read as 1", r.in.part.name, r.at(), quoted(string(f)))
	return 1, nil
}

// number reads a decimal number; ok is false where there is none.
func (r *row) number(f []byte) (v float64, ok bool, err error) {
	if n, ok := integer(f); ok {
		return n, true, nil
	}
	if len(f) == 0 {
		return 0, false, nil
	}
	if len(f) <= maxNumber {
		if v, ok := finite(string(f)); ok {
			return v, true, nil
		}
		if bytes.EqualFold(f, []byte("nan")) {
			r.in.notes.add("nan", "%s line %d has %s, which was read as missing", r.in.part.name, r.at(), quoted(string(f)))
			return 0, false, nil
		}
	}
	return 0, false, r.wrong("look whether the file is damaged or isn't text", "has %s where a number belongs", quoted(string(f[:min(len(f), maxNumber)])))
}

// integer reads a whole number of up to 15 digits, which a float64 holds exactly.
func integer(f []byte) (float64, bool) {
	negative := false
	if len(f) > 0 && (f[0] == '-' || f[0] == '+') {
		negative = f[0] == '-'
		f = f[1:]
	}
	if len(f) == 0 || len(f) > 15 {
		return 0, false
	}
	n := int64(0)
	for _, c := range f {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = 10*n + int64(c-'0')
	}
	if negative {
		n = -n
	}
	return float64(n), true
}

func (r *row) wrong(hint, what string, args ...any) error {
	return r.text.wrong(r.in.part.name, r.at(), hint, what, args...)
}
