package delimited

import (
	"fmt"
	"math"
	"strings"
	"time"

	"faultkeep/store/format"
)

// stamped is a time column of dates and times.
type stamped struct {
	second int       // column of the time of day, where the date has one of its own; −1
	base   time.Time // of the first sample

	first, factor float64 // of counts since 1970: the first one, and what a step is in seconds; factor 0: they are written as dates
}

// Names of columns. Common practice, no source.
var (
	timeNames  = map[string]bool{"time": true, "t": true, "zeit": true, "temps": true, "tiempo": true, "tempo": true, "timestamp": true, "time stamp": true, "date": true, "datetime": true, "date time": true, "date/time": true, "time axis": true, "rel. time": true, "relative time": true, "x": true}
	countNames = map[string]bool{"sample": true, "samples": true, "index": true, "no": true, "no.": true, "nr": true, "nr.": true, "n": true, "#": true, "row": true, "point": true, "i": true, "sample no.": true, "sample number": true}
)

// clock finds the time column and reads it.
func (t *table) clock() error {
	t.time = -1
	if name := t.dialect.Time.Column; name != "" {
		c, err := t.column(name)
		if err != nil {
			return err
		}
		t.time = c
		if t.bad[c].count > t.rows/2 {
			return t.stamp(c)
		}
		return t.number(c)
	}
	for c := range min(len(t.columns), 3) {
		if t.bad[c].count > t.rows/2 && c < len(t.columns) && stampLike(strings.TrimSpace(first(t.texts[c]))) {
			t.time = c
			return t.stamp(c)
		}
	}
	for c, l := range t.labels {
		_, timely := timeUnits[l.unit]
		if named := timeNames[strings.ToLower(l.name)]; (named || timely && c == 0) && ascends(t.columns[c]) && t.bad[c].count == 0 {
			t.time = c
			return t.number(c)
		}
	}
	if t.dialect.Interval > 0 || t.intervalField() > 0 {
		return nil
	}
	if len(t.columns) > 1 && t.labels[0].unit == "" && climbs(t.columns[0]) && !t.counts(0) && t.bad[0].count == 0 {
		t.time = 0
		t.warn("No column is named as time; the first one, which ascends, is taken for it.")
		return t.number(0)
	}
	return nil
}

func first(list []string) string {
	for _, s := range list {
		if s != "" {
			return s
		}
	}
	return ""
}

// ascends tells whether values never fall more than a few times, as times do
// that begin anew with another record.
func ascends(values []float64) bool {
	falls := 0
	for i, v := range values {
		if math.IsNaN(v) {
			return false
		}
		if i > 0 && v < values[i-1] {
			if falls++; falls > max(1, len(values)/10) {
				return false
			}
		}
	}
	return len(values) > 1 && values[len(values)-1] != values[0]
}

// climbs tells whether every value is above the one before it.
func climbs(values []float64) bool {
	for i := 1; i < len(values); i++ {
		if !(values[i] > values[i-1]) {
			return false
		}
	}
	return len(values) > 1
}

// counts tells whether a column only numbers the samples.
func (t *table) counts(c int) bool {
	if c == t.time || t.labels[c].unit != "" || !countNames[strings.ToLower(t.labels[c].name)] {
		return false
	}
	v := t.columns[c]
	for i := 1; i < len(v); i++ {
		if v[i] != v[i-1]+1 && v[i] > v[i-1] {
			return false
		}
	}
	return true
}

// number reads a time column of numbers.
func (t *table) number(c int) error {
	unit := t.dialect.Time.Unit
	if unit == "" {
		unit = t.labels[c].unit
	}
	first := t.columns[c][0]
	factor, ok := timeUnits[unit]
	if unix, known := unixUnit(first, unit); known {
		factor = unix
		whole, fraction := math.Modf(first * factor)
		t.stamped = &stamped{second: -1, first: first, factor: factor, base: time.Unix(int64(whole), int64(math.Round(fraction*1e9))).In(t.zone())}
		if unit == "" && factor != 1 {
			t.warn("The time column %q names no unit; it is taken for %s since 1970.", t.labels[c].name, sinceWords[factor])
		}
		if perSecond := int64(math.Round(1 / factor)); perSecond > 1 && first == math.Trunc(first) {
			// Whole milliseconds and the like survive exactly.
			t.stamped.base = time.Unix(int64(first)/perSecond, int64(first)%perSecond*(1e9/perSecond)).In(t.zone())
		}
	} else if !ok {
		factor = 1
		t.warn("The time column %q names no unit that faultkeep knows; it is taken as seconds.", t.labels[c].name)
	}
	t.step = max(factor*math.Pow(10, -float64(decimalsOf(t.columns[c]))), 4*factor*math.Abs(first)*0x1p-53)
	t.times = make([]float64, t.rows)
	for i, v := range t.columns[c] {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return &lineError{t.line + i, "has no time", "every sample needs one; or leave the column out and give interval:"}
		}
		if t.stamped != nil {
			v -= first
		}
		t.times[i] = v * factor
		if factor < 1 {
			t.times[i] = v / math.Round(1/factor) // rounds once
		}
	}
	return nil
}

var sinceWords = map[float64]string{1e-3: "milliseconds", 1e-6: "microseconds", 1e-9: "nanoseconds"}

// unixUnit is what one of a Unix time stamp's steps stands for, in seconds;
// known is false where v is none: those between 2001 and 2106 are, which no
// time within a recording comes near.
func unixUnit(v float64, unit string) (seconds float64, known bool) {
	if factor, ok := timeUnits[unit]; ok {
		return factor, v*factor >= 1e9 && v*factor < 1<<32
	}
	for _, factor := range []float64{1, 1e-3, 1e-6, 1e-9} {
		if v*factor >= 1e9 && v*factor < 1<<32 {
			return factor, true
		}
	}
	return 0, false
}

// zone is where times are that name no zone.
func (t *table) zone() *time.Location {
	if t.options.Zone != nil {
		return t.options.Zone
	}
	return time.UTC
}

// decimalsOf is how many digits after the point a column was written with, as
// far as its values tell.
func decimalsOf(values []float64) int {
	for d, scale := 0, 1.0; d < 12; d, scale = d+1, scale*10 {
		fits := true
		for i := 0; i < len(values) && i < 2000 && fits; i++ {
			v := values[i] * scale
			fits = math.Abs(v-math.Round(v)) <= 1e-9+math.Abs(v)*0x1p-51 // what a float64 leaves open
		}
		if fits {
			return d
		}
	}
	return 12
}

// stamp reads a time column of dates and times of day.
func (t *table) stamp(c int) error {
	t.stamped = &stamped{second: -1}
	list := t.texts[c]
	if next := c + 1; next < len(t.columns) && !strings.Contains(first(list), ":") && strings.Contains(first(t.texts[next]), ":") && t.dialect.Time.Layout == "" {
		t.stamped.second = next
		joined := make([]string, t.rows)
		for i := range joined {
			joined[i] = at(list, i) + " " + at(t.texts[next], i)
		}
		list = joined
	}
	zone := t.zone()
	var s stamps
	ok := true
	if layout := t.dialect.Time.Layout; layout != "" {
		known, err := layoutOf(layout)
		if err != nil {
			return err
		}
		s = stamps{layout: known, zone: zone}
	} else {
		s, ok = stampsFor(examples(list, t.rows), zone)
	}
	if s.swapped {
		t.warn("Dates such as %q may begin with the day or with the month; the day is taken. Say it with time: {layout: …} in the dialect.", clip(first(list)))
	}
	if !ok {
		return &lineError{t.line, fmt.Sprintf("has a time %q that faultkeep can't read", clip(first(list))), `say how it is written with time: {layout: "DD.MM.YYYY hh:mm:ss,fff"}`}
	}
	t.times = make([]float64, t.rows)
	digits := 0
	for i := range t.times {
		text := strings.TrimSpace(at(list, i))
		v, ok := s.parse(text)
		if !ok {
			return &lineError{t.line + i, fmt.Sprintf("has the time %q, which isn't written as those above", clip(text)), ""}
		}
		if i == 0 {
			t.stamped.base = v
		}
		if i > 0 {
			v = s.overMidnight(v, t.stamped.base, t.times[:i])
		}
		if p := strings.LastIndexAny(text, ".,"); p > strings.IndexByte(text, ':') && strings.Contains(text, ":") {
			digits = max(digits, countDigits(text[p+1:]))
		}
		t.times[i] = v.Sub(t.stamped.base).Seconds()
	}
	t.step = math.Pow(10, -float64(digits))
	if t.stamped.base.Year() == 0 {
		t.dated(s)
	}
	return nil
}

// dated gives times of day the date that a line above the table tells.
func (t *table) dated(s stamps) {
	if s.period() != 24*time.Hour {
		return
	}
	for _, f := range t.fields() {
		if !strings.Contains(strings.ToLower(f[0]), "date") || !dateLike(f[1]) {
			continue
		}
		day, ok := stampsFor([]string{f[1]}, t.zone())
		if !ok || strings.Contains(day.layout, ":") {
			continue
		}
		d, _ := day.parse(f[1])
		if d.Year() <= 1970 {
			continue
		}
		if day.swapped {
			t.warn("The date %q above the table may begin with the day or with the month; the day is taken.", f[1])
		}
		b := t.stamped.base
		t.stamped.base = time.Date(d.Year(), d.Month(), d.Day(), b.Hour(), b.Minute(), b.Second(), b.Nanosecond(), t.zone())
		if last := t.times[t.rows-1]; t.stamped.base.Add(time.Duration(last*1e9)).Day() != d.Day() {
			t.warn("The samples run over midnight; the date %q above the table is taken for the first sample's.", f[1])
		}
		return
	}
}

func countDigits(s string) (n int) {
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

func at(list []string, i int) string {
	if i < len(list) {
		return list[i]
	}
	return ""
}

// examples are rows from all over the column: a day above 12 may come late.
func examples(list []string, rows int) (out []string) {
	for i := 0; i < rows; i += max(1, rows/200) {
		out = append(out, strings.TrimSpace(at(list, i)))
	}
	return out
}

// restarts are the rows at which records begin, and the end.
func (t *table) restarts() ([]int, error) {
	cuts := []int{0}
	for i := 1; i < len(t.times); i++ {
		if t.times[i] >= t.times[i-1] {
			continue
		}
		begin := cuts[len(cuts)-1]
		if back := t.times[i] - t.times[begin]; back > (t.times[i-1]-t.times[begin])/2 || i-begin < 2 {
			return nil, &lineError{t.line + i, "goes back in time", "the rows of one record must stand in their order"}
		}
		cuts = append(cuts, i)
	}
	return append(cuts, t.rows), nil
}

// timing fills in a record's sample intervals.
func (t *table) timing(r *format.Record, from, to int) (err error) {
	r.Timing.Samples = to - from
	r.Found = append(r.Found, t.timeFound())
	if t.time < 0 {
		if t.dialect.Interval > 0 {
			r.Timing.Interval = t.dialect.Interval.Std().Seconds()
			return nil
		}
		if r.Timing.Interval = t.intervalField(); r.Timing.Interval > 0 {
			return nil
		}
		return &lineError{t.line, "has no time column, and no line above it tells the sample interval", "name the column with time: {column: …}, or give interval:"}
	}
	var warning string
	r.Timing, warning, err = timingOf(t.times[from:to], t.step)
	if err != nil {
		return &lineError{t.line + from, err.Error(), "give interval: if you know it"}
	}
	if warning != "" {
		r.Warnings = append(r.Warnings, warning)
	}
	return nil
}

// timeFound tells how the samples' times are told.
func (t *table) timeFound() format.Field {
	switch {
	case t.time < 0 && t.dialect.Interval > 0:
		return found("time", "by the dialect's interval")
	case t.time < 0:
		return found("time", "by the sample interval above the table")
	case t.stamped == nil:
		unit := t.dialect.Time.Unit
		if unit == "" {
			unit = t.labels[t.time].unit
		}
		if _, ok := timeUnits[unit]; !ok {
			unit = "s"
		}
		return found("time", "column %q, in %s", t.labels[t.time].name, unit)
	case t.stamped.factor > 0:
		return found("time", "column %q, counted from 1970", t.labels[t.time].name)
	case t.stamped.second >= 0:
		return found("time", "columns %q and %q, dates and times of day", t.labels[t.time].name, t.labels[t.stamped.second].name)
	}
	return found("time", "column %q, as on a clock", t.labels[t.time].name)
}

func found(name, words string, a ...any) format.Field {
	return format.Field{Name: name, Value: fmt.Sprintf(words, a...)}
}
