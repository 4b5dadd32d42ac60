package regmap

import (
	"fmt"
	"math"

	"faultkeep/configs/strict"
)

// maxSamples is the most samples a fixed header may claim.
const maxSamples = 1 << 24

func (c *checker) header() {
	h := &c.m.Header
	h.Fixed.Trigger = -1
	in := c.in.Header
	h.ChannelCount = c.place("header.channel_count", in.ChannelCount, "channel count")
	h.Samples = c.entry("header.samples", in.Samples, "samples", func(path, text string) {
		h.Fixed.Samples = c.fixedWhole(path, text, 1, maxSamples)
	})
	h.Interval = c.entry("header.interval", in.Interval, "sample interval", func(path, text string) {
		h.Fixed.Interval = c.fixedInterval(path, text)
	})
	h.Trigger = c.entry("header.trigger", in.Trigger, "trigger", func(path, text string) {
		h.Fixed.Trigger = c.fixedWhole(path, text, 0, maxSamples-1)
		if h.Fixed.Samples > 0 && h.Fixed.Trigger >= h.Fixed.Samples {
			c.report(path, fmt.Sprintf("is %d; with %d samples it is 0 to %d", h.Fixed.Trigger, h.Fixed.Samples, h.Fixed.Samples-1), "count the samples before the trigger")
		}
	})
	c.time()
}

// entry reads a header entry that is a place or fixed.
func (c *checker) entry(path string, from *fileEntry, name string, fixed func(path, text string)) *Value {
	switch {
	case from == nil:
		if c.doc.Has("header") && c.doc.Clean(path) {
			c.report(path, "is missing", "write a place such as {holding: 100}, or a number that never changes")
		}
		return nil
	case from.fixed != "":
		fixed(path, from.fixed)
		return nil
	}
	return c.place(path, &from.fileValue, name)
}

func (c *checker) fixedWhole(path, text string, low, high int64) int {
	n, problem, hint := strict.Whole(text)
	if problem == "" && (n < low || n > high) {
		problem = fmt.Sprintf("is %d, wanted %d to %d", n, low, high)
	}
	if problem != "" {
		c.report(path, problem, hint)
		return -1
	}
	return int(n)
}

// fixedInterval reads 1ms, or a number of seconds.
func (c *checker) fixedInterval(path, text string) float64 {
	seconds, problem, _ := strict.Number(text)
	if problem != "" {
		var d strict.Duration
		problem, hint := d.UnmarshalPlain(text)
		if problem != "" {
			c.report(path, problem, hint)
			return 0
		}
		seconds = d.Std().Seconds()
	}
	if !(seconds > 0) || seconds > maxInterval {
		c.report(path, fmt.Sprintf("is %s, wanted more than 0 and at most %d s", text, maxInterval), "write 1ms, or a number of seconds such as 0.001")
		return 0
	}
	return seconds
}

func (c *checker) time() {
	t := c.in.Header.Time
	if t == nil || !c.doc.Clean("header.time") {
		return
	}
	h, path := &c.m.Header, "header.time"
	fields := []struct {
		key  string
		from *fileValue
	}{{"year", t.Year}, {"month", t.Month}, {"day", t.Day}, {"hour", t.Hour}, {"minute", t.Minute}, {"second", t.Second}, {"millisecond", t.Millisecond}}
	given, missing := 0, ""
	for i, f := range fields {
		if f.from != nil {
			given++
		} else if missing == "" && i < 6 {
			missing = f.key
		}
	}
	ways := 0
	for _, way := range []bool{t.Seconds != nil, t.Milliseconds != nil, given > 0} {
		if way {
			ways++
		}
	}
	switch {
	case ways == 0:
		c.report(path, "says no place", "add unix_seconds, unix_milliseconds, or year to second")
		return
	case ways > 1:
		c.report(path, "is given in more than one way", "keep unix_seconds, unix_milliseconds, or year to millisecond")
		return
	case given > 0 && missing != "":
		c.report(path+"."+missing, "is missing", "a time needs year, month, day, hour, minute and second")
		return
	case t.Seconds != nil:
		h.TimeAs = UnixSeconds
		fields = fields[:1]
		fields[0].key, fields[0].from = "unix_seconds", t.Seconds
	case t.Milliseconds != nil:
		h.TimeAs = UnixMillis
		fields = fields[:1]
		fields[0].key, fields[0].from = "unix_milliseconds", t.Milliseconds
	default:
		h.TimeAs = CalendarFields
	}
	for _, f := range fields {
		if v := c.place(path+"."+f.key, f.from, "trigger time, "+f.key); v != nil {
			h.Time = append(h.Time, *v)
		}
	}
}

// maxInterval is the longest sample interval in seconds: a day.
const maxInterval = 86400

// wholeNumber is f as an int where it is a whole number in [low, high].
func wholeNumber(f float64, low, high int) (int, bool) {
	r := math.Round(f)
	if math.IsNaN(f) || math.Abs(r-f) > 1e-6 || r < float64(low) || r > float64(high) {
		return 0, false
	}
	return int(r), true
}
