package comtrade

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"faultkeep/store/capture"
)

// configuration writes a .cfg.
func (w *writer) configuration(context.Context) error {
	c := w.capture
	w.line("%s,%s,%d", w.name(orElse(c.Site, c.Name()), 64), w.name(c.Name(), 64), w.edition)
	w.line("%d,%dA,%dD", len(w.columns)+len(w.bits), len(w.columns), len(w.bits))
	low, high := w.limits()
	for i, k := range w.columns {
		w.line("%d,%s,,,%s,%s,%s,0,%s,%s,1,1,P", i+1, w.name(k.channel.Name, w.longest()), w.name(orElse(k.channel.Unit, noUnit), 32), plain(k.a), plain(k.b), low, high)
	}
	for i, b := range w.bits {
		w.line("%d,%s,,%s,0", i+1, w.name(b.name, w.longest()), w.name(b.word, 64))
	}
	w.line("0") // the line frequency isn't known
	w.rates()
	ts := scaleTime(w.edition, w.timing, c.Trigger.Time)
	before := w.timing.Between(0, c.Trigger.Index)
	w.line("%s", ts.moment(c.Trigger.Time.Add(-time.Duration(math.Round(before*1e9)))))
	w.line("%s", ts.moment(c.Trigger.Time))
	w.line("%s", w.plan.data)
	w.line("%s", plain(ts.multiplier))
	if w.edition >= Edition2013 {
		w.line("0,x") // times are in UTC; where the drive stands isn't known
		w.line("%s,3", timeQuality(c.Trigger))
	}
	return nil
}

// rates writes the sampling rates. More than the standard's 999 can't be
// told: then the time stamps count.
func (w *writer) rates() {
	rates := w.timing.Rates
	if len(rates) == 0 {
		rates = []capture.Rate{{End: w.timing.Samples, Interval: w.timing.Interval}}
	}
	if len(rates) > 999 {
		w.line("0")
		w.line("0,%d", w.timing.Samples)
		return
	}
	w.line("%d", len(rates))
	for _, r := range rates {
		w.line("%s,%d", plain(hertz(r.Interval)), r.End)
	}
}

// hertz is the rate whose inverse is the interval again, if there is one.
func hertz(interval float64) float64 {
	rate := 1 / interval
	for _, near := range []float64{math.Round(rate), rate, math.Nextafter(rate, 0), math.Nextafter(rate, math.Inf(1))} {
		if 1/near == interval {
			return near
		}
	}
	return rate
}

// moment writes "dd/mm/yyyy,hh:mm:ss.ssssss", or with nanoseconds.
func (ts timescale) moment(t time.Time) string {
	if ts.nanoseconds {
		return t.UTC().Format("02/01/2006,15:04:05.000000000")
	}
	return t.UTC().Round(time.Microsecond).Format("02/01/2006,15:04:05.000000")
}

// timeQuality is tmq_code: how far the times may be off UTC. F: not known.
func timeQuality(t capture.Trigger) string {
	u := t.Uncertainty()
	if u <= 0 {
		return "F"
	}
	code, within := 1, time.Nanosecond
	for ; within < u; code++ {
		within *= 10
	}
	if code > 0xB {
		return "F"
	}
	return strings.ToUpper(strconv.FormatInt(int64(code), 16))
}

// limits are the lowest and the highest number that a channel can have.
func (w *writer) limits() (low, high string) {
	n := w.number()
	if n.float || n.text {
		return "-3.4E38", "3.4E38"
	}
	return plain(n.low), plain(n.high)
}

// longest is how many characters a channel's name may have.
func (w *writer) longest() int {
	if w.edition == Edition1999 {
		return 64
	}
	return 128
}

// plain writes a number without an exponent where that isn't long. It reads
// back as the same number.
func plain(v float64) string {
	if s := strconv.FormatFloat(v, 'f', -1, 64); len(s) <= 20 {
		return s
	}
	return strings.ToUpper(strconv.FormatFloat(v, 'g', -1, 64))
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// letters are the ASCII forms of what units and names are most often written with.
var letters = strings.NewReplacer("°", "deg", "µ", "u", "μ", "u", "Ω", "Ohm", "Ω", "Ohm", "²", "2", "³", "3", "·", ".", "−", "-", "–", "-", "…", "...",
	"ä", "ae", "ö", "oe", "ü", "ue", "Ä", "Ae", "Ö", "Oe", "Ü", "Ue", "ß", "ss", "å", "aa", "Å", "Aa", "ø", "oe", "Ø", "Oe", "æ", "ae", "Æ", "Ae",
	"é", "e", "è", "e", "ê", "e", "à", "a", "á", "a", "ç", "c", "ñ", "n", "ó", "o", "í", "i", "ú", "u")

// name is a name as a field holds it: without commas and line ends, not longer
// than most characters, and in ASCII before 2013, when UTF-8 came.
func (w *writer) name(s string, most int) string {
	s = w.legible(s)
	s = strings.Map(func(r rune) rune {
		switch {
		case r == ',':
			return ';'
		case r < ' ' || r == 0x7F:
			return ' '
		}
		return r
	}, s)
	s = strings.TrimSpace(s)
	if utf8.RuneCountInString(s) > most {
		s = string([]rune(s)[:most])
	}
	return orElse(s, "-") // the standard wants a character at least
}

func (w *writer) legible(s string) string {
	s = strings.ToValidUTF8(s, "?")
	if w.edition >= Edition2013 {
		return s
	}
	return strings.Map(func(r rune) rune {
		if r > 0x7E {
			return '?'
		}
		return r
	}, letters.Replace(s))
}

// header writes a .hdr: for people.
func (w *writer) header(context.Context) error {
	c := w.capture
	w.text("%s: %s", c.Name(), c.Fault)
	w.text("Trigger %s UTC", c.Trigger.Time.UTC().Format("2006-01-02 15:04:05.000000"))
	if u := c.Trigger.Uncertainty(); u > 0 {
		w.text("The trigger's time is known to within %v.", u)
	}
	w.text("Recording: %s", c.Wholeness())
	if c.Integrity.Why != "" {
		w.text("%s", c.Integrity.Why)
	}
	if c.ID != "" {
		w.text("Capture %s of drive %s", c.ID, c.Drive)
	}
	for _, k := range w.columns {
		if k.fit == rounded {
			w.text("Channel %s is rounded: %s doesn't hold its samples exactly.", k.channel.Name, w.plan.data)
		}
	}
	for _, warning := range c.Provenance.Warnings {
		w.text("As it was read: %s", warning)
	}
	w.text("Times are in UTC. Written by faultkeep.")
	return nil
}

// information writes a .inf: for programs, in a section of its own.
func (w *writer) information(context.Context) error {
	c := w.capture
	w.text("[faultkeep Capture]")
	for _, f := range []struct{ name, value string }{
		{"Capture", string(c.ID)}, {"Drive", c.Drive}, {"Title", c.Title}, {"Drive_Type", c.DriveType},
		{"Fault", faultCode(c.Fault)}, {"Fault_Name", c.Fault.Name}, {"Wholeness", c.Wholeness()}, {"SHA-256", c.Integrity.SHA256},
	} {
		if f.value != "" {
			w.text("%s=%s", f.name, f.value)
		}
	}
	return nil
}

func faultCode(f capture.Fault) string {
	if f.Shown == "" && f.Code != 0 {
		return fmt.Sprint(f.Code)
	}
	return f.Shown
}

// text writes one line of text for people, without what would end it or begin
// another section of a .cff.
func (w *writer) text(form string, args ...any) {
	s := strings.Join(strings.Fields(w.legible(fmt.Sprintf(form, args...))), " ")
	for strings.HasPrefix(s, "---") {
		s = s[1:]
	}
	w.line("%s", s)
}
