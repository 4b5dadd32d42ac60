package comtrade

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"faultkeep/store/format"
)

// config is what a .cfg says.
type config struct {
	file            string
	station, device string
	edition         Edition
	analog          []analog
	status          []status
	frequency       float64 // of the line, in hertz; 0: not told
	stamped         bool    // nrates is 0: time comes from the stamps of the samples
	rates           []rate  // ascending; with stamps one, for its end
	samples         int     // 0: the .cfg doesn't tell
	first, trigger  moment
	data            Data
	multiplier      float64 // of the time stamps
	zone            string  // time_code: what the times are ahead of UTC
	local           string  // local_code
	quality, leap   string  // tmq_code, leapsec
}

// rate is a stretch of samples with one sampling rate.
type rate struct {
	hertz float64
	end   int // number of its last sample
}

// parser reads a .cfg line by line.
type parser struct {
	*config
	*notes
	text  *text
	skip  int // lines of the file that come before the part
	latin bool
	given bool // the first line names an edition
	wide  int  // channels that have the fields which came with the 1999 edition
}

// parse reads a .cfg.
func parse(p part, n *notes) (*config, error) {
	if len(p.bytes) > maxText {
		return nil, &format.Error{File: p.name, What: fmt.Sprintf("has %d bytes, more than any configuration", len(p.bytes)),
			Hint: "look whether it really is a COMTRADE .cfg"}
	}
	b := p.bytes
	c := &parser{config: &config{file: p.name, multiplier: 1}, notes: n, skip: p.line}
	if bytes.HasPrefix(b, mark) {
		b = b[len(mark):]
		n.add("mark", "%s begins with a byte order mark, which was passed over", p.name)
	}
	c.text = newText(bytes.TrimRight(b, "\x00\x1a"))
	for _, step := range []func() error{c.heading, c.channelLines, c.line, c.rateLines, c.times, c.fileType, c.later} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	if c.text.plain {
		n.add("line ends", "%s ends lines in LF alone where the standard wants CR and LF", p.name)
	}
	if c.text.end == '\r' {
		n.add("line ends", "%s ends lines in CR alone where the standard wants CR and LF", p.name)
	}
	if c.latin {
		n.add("latin", "%s isn't UTF-8; its names were read as ISO 8859-1", p.name)
	}
	return c.config, nil
}

// next is the next line; what names it for the error when there is none.
func (p *parser) next(what string) (string, error) {
	line, ok := p.text.next()
	if !ok {
		return "", &format.Error{File: p.file, What: "ends before the line with " + what,
			Hint: "it may still be being written, or was cut off", Err: format.ErrIncomplete}
	}
	if len(line) > maxLine {
		return "", p.wrong("look whether it really is a COMTRADE .cfg", "has %d characters, more than any line of a configuration", len(line))
	}
	s, latin := legibly(line)
	p.latin = p.latin || latin
	return strings.TrimSpace(s), nil
}

func (p *parser) at() int { return p.skip + p.text.line }

// wrong is an error about the last line.
func (p *parser) wrong(hint, what string, args ...any) error {
	return p.text.wrong(p.file, p.at(), hint, what, args...)
}

// note is a warning about the last line.
func (p *parser) note(kind, what string, args ...any) {
	p.add(kind, "%s line %d %s", p.file, p.at(), fmt.Sprintf(what, args...))
}

// fields are the parts of a line between commas, without the blanks around them.
func fields(line string) []string {
	out := strings.Split(line, ",")
	for i, f := range out {
		out[i] = strings.TrimSpace(f)
	}
	return out
}

// heading reads the station, the device and the year of the standard.
func (p *parser) heading() error {
	line, err := p.next("the station")
	if err != nil {
		return err
	}
	f := fields(line)
	p.edition = Edition1991
	if year, err := strconv.Atoi(f[len(f)-1]); err == nil && len(f) > 2 && len(f[len(f)-1]) == 4 {
		p.given, p.edition = true, Edition(year)
		f = f[:len(f)-1]
	} else if len(f) > 2 && f[len(f)-1] == "" {
		f = f[:len(f)-1] // an empty year means 1991
	}
	switch year := p.edition; {
	case year == Edition1991 || year == Edition1999 || year == Edition2013:
	case year < Edition1999:
		p.note("edition", "names the edition %d, which there is none of; it was read as 1991", year)
		p.edition = Edition1991
	case year < Edition2013: // IEC 60255-24:2001 is the 1999 edition
		p.note("edition", "names the edition %d; it was read as 1999", year)
		p.edition = Edition1999
	default:
		p.note("edition", "names the edition %d, later than faultkeep knows; it was read as 2013", year)
		p.edition = Edition2013
	}
	if len(f) > 2 {
		p.note("commas", "has a comma in the station's name")
	}
	if len(f) == 1 {
		p.note("device", "names no device")
		p.station = f[0]
		return nil
	}
	p.station, p.device = strings.Join(f[:len(f)-1], ", "), f[len(f)-1]
	return nil
}

// channelLines reads how many channels there are, and a line for each.
func (p *parser) channelLines() error {
	line, err := p.next("the numbers of channels")
	if err != nil {
		return err
	}
	total, analogs, statuses, err := counts(line)
	if err != nil {
		return p.wrong("the line should be like 10,8A,2D", "%v", err)
	}
	if total != analogs+statuses {
		p.note("total", "says %d channels, but %d analog and %d status ones", total, analogs, statuses)
	}
	if analogs > maxChannels || statuses > maxChannels {
		return p.wrong("the standard allows 999999", "announces %d analog and %d status channels", analogs, statuses)
	}
	if analogs+statuses == 0 {
		return p.wrong("", "says that there are no channels")
	}
	// No room is made for channels before their lines are there.
	for i := range analogs {
		if err := p.analogLine(i + 1); err != nil {
			return err
		}
	}
	for i := range statuses {
		if err := p.statusLine(i + 1); err != nil {
			return err
		}
	}
	if !p.given && p.wide == analogs+statuses {
		p.edition = Edition1999
		p.add("no edition", "%s names no edition, but its channels are described as since 1999; dates were read as day/month/year", p.file)
	}
	return nil
}

// counts reads "TT,##A,##D".
func counts(line string) (total, analogs, statuses int, err error) {
	f := fields(line)
	for len(f) > 3 && f[len(f)-1] == "" {
		f = f[:len(f)-1]
	}
	if len(f) != 3 {
		return 0, 0, 0, fmt.Errorf("has %d fields, the numbers of channels are 3", len(f))
	}
	if total, err = count(f[0]); err != nil {
		return 0, 0, 0, err
	}
	for _, one := range f[1:] {
		letter := strings.ToUpper(one[max(0, len(one)-1):])
		n, err := count(strings.TrimSpace(strings.TrimRight(one, "aAdD")))
		switch {
		case err != nil:
			return 0, 0, 0, err
		case letter == "A":
			analogs = n
		case letter == "D":
			statuses = n
		default:
			return 0, 0, 0, fmt.Errorf("has %s where a number of channels with A or D belongs", quoted(one))
		}
	}
	return total, analogs, statuses, nil
}

// count reads a number that isn't negative and fits an int32.
func count(s string) (int, error) {
	n, err := strconv.ParseInt(strings.TrimPrefix(s, "+"), 10, 64)
	if errors.Is(err, strconv.ErrRange) || err == nil && n > math.MaxInt32 {
		return 0, fmt.Errorf("has the number %s, which is too large", quoted(s))
	}
	if err != nil || n < 0 {
		return 0, fmt.Errorf("has %s where a count belongs", quoted(s))
	}
	return int(n), nil
}

// finite reads a finite decimal number.
func finite(s string) (float64, bool) {
	if s == "" || strings.ContainsAny(s, "xXpP_iInN") {
		return 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil && !math.IsInf(v, 0)
}

// line reads the line frequency. Many drives' recorders leave it empty.
func (p *parser) line() error {
	line, err := p.next("the line frequency")
	if err != nil {
		return err
	}
	first := fields(line)[0]
	v, ok := finite(first)
	if !ok && first != "" {
		p.note("frequency", "has %s where the line frequency belongs", quoted(first))
	}
	p.frequency = v
	return nil
}

// fileType reads how the samples are written.
func (p *parser) fileType() error {
	line, err := p.next("the file type")
	if err != nil {
		return err
	}
	name := fields(line)[0]
	switch d := Data(strings.ToUpper(name)); d {
	case ASCII, Binary, Binary32, Float32:
		p.data = d
	default:
		return p.wrong("it should be ASCII, BINARY, BINARY32 or FLOAT32", "has %s where the file type belongs", quoted(name))
	}
	if p.text.cut && p.edition >= Edition1999 { // BINARY may become BINARY32
		return p.wrong("it may still be being written, or was cut off", "ends within the line with the file type")
	}
	if string(p.data) != name {
		p.note("case", "writes the file type as %s, not %s", quoted(name), p.data)
	}
	if p.edition < Edition2013 && (p.data == Binary32 || p.data == Float32) {
		p.note("newer type", "names the file type %s, which came with the 2013 edition", p.data)
	}
	return nil
}

// later reads what the editions of 1999 and 2013 added at the end.
func (p *parser) later() error {
	blank := 0
	for number := 0; ; {
		if len(p.text.rest) == 0 {
			p.missing(number, blank)
			return nil
		}
		line, err := p.next("")
		if err != nil {
			return err
		}
		if line == "" {
			blank++
			continue
		}
		p.ending(number, line)
		number++
	}
}

// missing warns of lines at the end that aren't there, or are there in vain.
func (p *parser) missing(number, blank int) {
	if number == 0 && p.edition >= Edition1999 {
		p.add("multiplier", "%s lacks the line with the time stamps' multiplier; 1 was taken", p.file)
	}
	if number < 3 && p.edition >= Edition2013 {
		p.add("time code", "%s lacks the lines with time code and time quality; its times were read without a zone of its own", p.file)
	}
	if blank > 0 {
		p.add("blank", "%s has blank lines at its end", p.file)
	}
}

// ending reads one of the last lines by its place.
func (p *parser) ending(number int, line string) {
	f := append(fields(line), "")
	switch number {
	case 0:
		v, ok := finite(f[0])
		if !ok || v < lowestRate || v > highestRate {
			p.note("multiplier", "has %s where the time stamps' multiplier belongs; 1 was taken", quoted(f[0]))
			v = 1
		}
		p.multiplier = v
	case 1:
		p.zone, p.local = f[0], f[1]
		if _, ok := offset(p.zone); !ok {
			p.note("time code", "has the time code %s, which tells no offset from UTC; times were read as in the site's zone", quoted(p.zone))
		}
	case 2:
		p.quality, p.leap = strings.ToUpper(f[0]), f[1]
	default:
		p.note("surplus", "is one more than the standard has, and was passed over")
	}
}
