package delimited

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"faultkeep/store/format"
)

// intervalField is the sample interval in seconds that a line above the table
// tells, or 0.
func (t *table) intervalField() float64 {
	for _, f := range t.fields() {
		name, unit := nameAndUnit(f[0])
		v, u := t.quantity(f[1])
		if u == "" {
			u = unit
		}
		if v <= 0 {
			continue
		}
		factor, timely := timeUnits[u]
		switch {
		case wordsIn(name, "interval", "sample time", "sampling time", "sample period", "sampling period", "time step", "cycle time", "dt",
			"sample rate", "sampling rate", "abtastzeit", "abtastintervall", "abtastrate") && timely:
			return v * factor
		case wordsIn(name, "sample rate", "sampling rate", "sampling frequency", "sample frequency", "samplerate", "abtastrate", "abtastfrequenz") && perSecond[u] > 0:
			return 1 / (v * perSecond[u])
		}
	}
	return 0
}

// Units of a sample rate; without one it is in Hz. Common practice, no source.
var perSecond = map[string]float64{"": 1, "Hz": 1, "hz": 1, "HZ": 1, "1/s": 1, "S/s": 1, "Sa/s": 1, "samples/s": 1, "kHz": 1e3, "khz": 1e3, "kS/s": 1e3, "kSa/s": 1e3, "MHz": 1e6, "MS/s": 1e6, "MSa/s": 1e6}

func wordsIn(name string, words ...string) bool {
	name = strings.ToLower(name)
	for _, w := range words {
		if strings.Contains(name, w) {
			return true
		}
	}
	return false
}

// quantity reads "0.5 ms"; NaN where it is none. Of "2,000" the samples tell
// whether it is two thousand.
func (t *table) quantity(text string) (v float64, unit string) {
	number, unit, _ := strings.Cut(strings.TrimSpace(text), " ")
	for _, mark := range []byte{'.', ','} {
		if mark != t.numbers.decimal && grouped([]byte(number), mark) {
			v, _ := numbers{decimal: t.numbers.decimal, thousands: mark}.parse([]byte(number))
			return v, strings.TrimSpace(unit)
		}
	}
	for _, point := range []byte{'.', ','} {
		if v, ok := (numbers{decimal: point}).parse([]byte(number)); ok {
			return v, strings.TrimSpace(unit)
		}
	}
	// "0.5ms"
	i := strings.IndexFunc(number, func(r rune) bool { return (r < '0' || r > '9') && r != '.' && r != ',' && r != '-' && r != '+' })
	if i > 0 {
		if v, ok := (numbers{decimal: '.'}).parse([]byte(strings.Replace(number[:i], ",", ".", 1))); ok {
			return v, number[i:]
		}
	}
	return math.NaN(), ""
}

// trigger finds a record's trigger and its time.
func (t *table) trigger(r *format.Record, from, to int) error {
	n := to - from
	index, err := t.triggerIndex(r, from, to)
	if err != nil {
		return err
	}
	if index < 0 || index > n {
		return &lineError{t.line, fmt.Sprintf("has its trigger at sample %d of %d", index+1, n), "look at trigger: in the dialect"}
	}
	r.Trigger = index
	switch {
	case t.stamped != nil && !t.stamped.base.IsZero() && t.stamped.base.Year() > 1970:
		r.Time = t.stamped.base.Add(time.Duration(math.Round(t.times[from+min(index, n-1)] * 1e9))).UTC()
	default:
		t.timeField(r)
	}
	return nil
}

// triggerIndex is the trigger's sample, counted from from. What told it is noted
// in the record.
func (t *table) triggerIndex(r *format.Record, from, to int) (int, error) {
	index, by, err := t.triggerSaid(r, from, to)
	if err == nil && by == "" {
		index, by = t.triggerFound(r, from, to)
	}
	if err == nil && by == "" {
		by = "not told; the first sample is taken"
		if t.time < 0 || t.stamped != nil || t.times[from] != 0 {
			r.Warnings = append(r.Warnings, "Nothing tells the trigger; the first sample is taken for it.")
		}
	}
	r.Found = append(r.Found, found("trigger", "%s", by))
	return index, err
}

// triggerSaid is the trigger as the dialect says; by is empty where it says nothing.
func (t *table) triggerSaid(r *format.Record, from, to int) (index int, by string, err error) {
	d := t.dialect.Trigger
	switch {
	case d.Row > 0:
		return d.Row - 1, "by the dialect's row", nil
	case d.Time != nil:
		if t.time < 0 {
			return 0, "", &lineError{t.line, "has no time column, so the trigger can't be told by its time", "give trigger: {row: …}"}
		}
		return t.firstAt(from, to, t.seconds(*d.Time)), "by the dialect's time", nil
	case d.Column != "":
		c, err := t.column(d.Column)
		if err != nil {
			return 0, "", err
		}
		if i, ok := t.change(c, from, to); ok {
			return i, fmt.Sprintf("where column %q changes", t.labels[c].name), nil
		}
		return 0, "", &lineError{t.line, fmt.Sprintf("has no change in column %q, which should tell the trigger", d.Column), "name another column or row in trigger:"}
	case d.Field != "":
		v := r.Field(d.Field)
		if v == "" {
			return 0, "", &lineError{1, fmt.Sprintf("has no line %q above its table, which should tell the trigger", d.Field), ""}
		}
		if i, ok := t.indexIn(v, from, to); ok {
			return i, fmt.Sprintf("by the line %q", d.Field), nil
		}
		return 0, "", &lineError{1, fmt.Sprintf("tells the trigger as %q, which is no sample's number and no time within the record", clip(v)), ""}
	}
	return 0, "", nil
}

// triggerFound is the trigger as the file itself tells it; by is empty where it doesn't.
func (t *table) triggerFound(r *format.Record, from, to int) (index int, by string) {
	for _, f := range r.Fields {
		if strings.Contains(f.Name, "trigger") && !wordsIn(f.Name, "level", "source", "channel", "mode", "edge", "slope") {
			if i, ok := t.indexIn(f.Value, from, to); ok {
				return i, fmt.Sprintf("by the line %q", f.Name)
			}
		}
	}
	if t.time >= 0 && t.stamped == nil && t.times[from] < 0 && t.times[to-1] >= 0 {
		return t.firstAt(from, to, 0), "where the time reaches 0"
	}
	for _, m := range t.remarks {
		if triggering(m.text) && m.row >= from && m.row < to {
			return m.row - from, fmt.Sprintf("by line %d, %q", m.line, m.text)
		}
	}
	for c, l := range t.labels {
		if strings.Contains(strings.ToLower(l.name), "trigger") {
			if i, ok := t.change(c, from, to); ok {
				return i, fmt.Sprintf("where column %q changes", l.name)
			}
		}
		for i := from; i < min(to, len(t.texts[c])); i++ {
			if triggering(t.texts[c][i]) {
				return i - from, fmt.Sprintf("by the text %q in column %q", clip(t.texts[c][i]), l.name)
			}
		}
	}
	return 0, ""
}

// change is the first sample at which a column isn't what it was first.
func (t *table) change(c, from, to int) (int, bool) {
	if i, ok := changes(t.columns[c][from:to]); ok {
		return i, true
	}
	return t.textChanges(c, from, to)
}

// seconds is a value of the time column as times are kept: in seconds, of
// counts since 1970 from the first sample on.
func (t *table) seconds(v float64) float64 {
	if t.stamped != nil && t.stamped.factor > 0 {
		return (v - t.stamped.first) * t.stamped.factor
	}
	if t.stamped != nil {
		return v
	}
	unit := t.dialect.Time.Unit
	if unit == "" {
		unit = t.labels[t.time].unit
	}
	if f, ok := timeUnits[unit]; ok {
		return v * f
	}
	return v
}

// indexIn reads a sample's number from 1, a share such as "40 %", or a date
// and time within the record.
func (t *table) indexIn(value string, from, to int) (int, bool) {
	if t.stamped != nil && stampLike(value) {
		zone := t.stamped.base.Location()
		if s, ok := stampsFor([]string{value}, zone); ok {
			at, _ := s.parse(value)
			if period := s.period(); period > 0 && t.stamped.base.Year() > 0 {
				b := t.stamped.base // a time of day is that of the first sample's day, or of the next one
				at = time.Date(b.Year(), b.Month(), b.Day(), at.Hour(), at.Minute(), at.Second(), at.Nanosecond(), zone)
			}
			sec := at.Sub(t.stamped.base).Seconds()
			if s.period() > 0 && sec < t.times[from]-t.step {
				sec += s.period().Seconds()
			}
			if sec >= t.times[from]-t.step && sec <= t.times[to-1]+t.step {
				return t.firstAt(from, to, sec), true
			}
		}
		return 0, false
	}
	v, unit := t.quantity(value)
	if t.stamped != nil && t.stamped.factor > 0 && unit == "" {
		if sec := t.seconds(v); sec >= t.times[from]-t.step && sec <= t.times[to-1]+t.step {
			return t.firstAt(from, to, sec), true
		}
	}
	switch {
	case unit == "%" && v >= 0 && v <= 100:
		return int(math.Round(v / 100 * float64(to-from))), true
	case unit == "" && v == math.Trunc(v) && v >= 1 && v <= float64(to-from):
		return int(v) - 1, true
	case timeUnits[unit] > 0 && t.time >= 0:
		return t.firstAt(from, to, v*timeUnits[unit]), true
	}
	return 0, false
}

// firstAt is the first sample at that time or after it.
func (t *table) firstAt(from, to int, seconds float64) int {
	for i := from; i < to; i++ {
		if t.times[i] >= seconds-t.step/2 {
			return i - from
		}
	}
	return to - from
}

// changes is the first sample that isn't the first one's value any more.
func changes(series []float64) (int, bool) {
	for i, v := range series {
		if v != series[0] && !math.IsNaN(v) && !math.IsNaN(series[0]) {
			return i, true
		}
	}
	return 0, false
}

// timeField takes the trigger's time from a line above the table.
func (t *table) timeField(r *format.Record) {
	zone := t.options.Zone
	if zone == nil {
		zone = time.UTC
	}
	read := func(text string) (time.Time, bool) {
		if !stampLike(text) || !strings.Contains(text, ":") {
			return time.Time{}, false
		}
		s, ok := stampsFor([]string{text}, zone)
		if !ok {
			return time.Time{}, false
		}
		at, ok := s.parse(text)
		return at.UTC(), ok && at.Year() > 1970
	}
	date, clock := "", ""
	for _, f := range r.Fields {
		at, ok := read(f.Value)
		switch {
		case ok && strings.Contains(f.Name, "trigger"):
			r.Time = at
			return
		case ok && wordsIn(f.Name, "start", "begin", "first sample"):
			r.Time = at.Add(time.Duration(r.Timing.Between(0, r.Trigger) * 1e9))
		case ok && wordsIn(f.Name, "date", "time", "recorded") && r.Time.IsZero():
			r.Time = at
			r.Warnings = append(r.Warnings, fmt.Sprintf("%q above the table is taken for the trigger's time.", f.Name))
		case !ok && strings.Contains(f.Name, "date") && dateLike(f.Value):
			date = f.Value
		case !ok && strings.Contains(f.Name, "time") && strings.Contains(f.Value, ":"):
			clock = f.Value
		}
	}
	if at, ok := read(date + " " + clock); ok && r.Time.IsZero() {
		r.Time = at
	}
}

// Names of lines and columns that tell a fault code. Common practice, no source.
var faultNames = []string{"fault code", "error code", "trip code", "alarm code", "fault", "fault number", "fault no"}

// fault adds the field "fault", if the file tells the code.
func (t *table) fault(r *format.Record, from, to int) error {
	switch p := t.dialect.Fault; {
	case p.Field != "":
		if v := r.Field(p.Field); v != "" && !strings.EqualFold(p.Field, "fault") {
			r.Fields = append(r.Fields, format.Field{Name: "fault", Value: v})
		}
		return nil
	case p.Column != "":
		c, err := t.column(p.Column)
		if err != nil {
			return err
		}
		t.faultIn(r, c, from, to)
		return nil
	}
	for _, name := range faultNames {
		if v := r.Field(name); v != "" {
			if name != "fault" {
				r.Fields = append(r.Fields, format.Field{Name: "fault", Value: v})
			}
			return nil
		}
	}
	for c, l := range t.labels {
		for _, name := range faultNames[:4] {
			if strings.EqualFold(l.name, name) {
				t.faultIn(r, c, from, to)
				return nil
			}
		}
	}
	return nil
}

// faultIn takes the first code in a column from the trigger on, or the last one before.
func (t *table) faultIn(r *format.Record, c, from, to int) {
	code := func(i int) string {
		if text := strings.TrimSpace(at(t.texts[c], i)); text != "" {
			return text
		}
		if v := t.columns[c][i]; v != 0 && !math.IsNaN(v) {
			return strconv.FormatFloat(v, 'f', -1, 64)
		}
		return ""
	}
	found := ""
	for i := from; i < to; i++ {
		if s := code(i); s != "" {
			found = s
			if i-from >= r.Trigger {
				break
			}
		}
	}
	if found != "" {
		r.Fields = append(r.Fields, format.Field{Name: "fault", Value: found})
	}
}
