package recurrence

import (
	"math"
	"time"
)

// Shift is a stretch of the day, by the local clock. To before From: over midnight.
type Shift struct {
	Name string
	From time.Duration // since midnight
	To   time.Duration
}

// CommonShifts are three shifts of eight hours. Common practice, no source.
var CommonShifts = []Shift{
	{"early shift", 6 * time.Hour, 14 * time.Hour},
	{"late shift", 14 * time.Hour, 22 * time.Hour},
	{"night shift", 22 * time.Hour, 6 * time.Hour},
}

// Clock is where the watched time lies on the clock on the wall. An hour that
// a clock change repeats counts twice, one that it leaves out not at all.
type Clock struct {
	zone    *time.Location
	until   []float64 // s watched at times of day before second i; day+1 of them
	weekday [7]float64
	total   float64
}

// Clock lays the exposure on the clock of a zone, to the second.
func (e Exposure) Clock(zone *time.Location) *Clock {
	c := &Clock{zone: zone, until: make([]float64, day+1)}
	change := make([]int32, day+1) // +1 where a stretch begins, −1 where it ends
	for _, s := range e.spans {
		for from := s.From; from.Before(s.To); {
			to, second, weekday := c.stretch(from, s.To)
			length := seconds(from, to)
			change[min(day, int(math.Round(second)))]++
			change[min(day, int(math.Round(second+length)))]--
			c.weekday[weekday] += length
			from = to
		}
	}
	open := int32(0)
	for i, d := range change[:day] {
		open += d
		c.until[i+1] = c.until[i] + float64(open)
	}
	c.total = c.until[day]
	return c
}

// stretch is the time from from on in which the clock on the wall runs
// evenly within one day; to is its end, at most limit.
func (c *Clock) stretch(from, limit time.Time) (to time.Time, second float64, weekday time.Weekday) {
	local := from.In(c.zone)
	second = secondOfDay(local)
	to = from.Add(time.Duration(math.Round((day - second) * 1e9)))
	if _, change := local.ZoneBounds(); !change.IsZero() && change.Before(to) {
		to = change
	}
	if limit.Before(to) {
		to = limit
	}
	if !to.After(from) {
		to = from.Add(time.Nanosecond)
	}
	return to, second, local.Weekday()
}

func secondOfDay(local time.Time) float64 {
	h, m, s := local.Clock()
	return float64(h*3600+m*60+s) + float64(local.Nanosecond())/1e9
}

// Share of the watched time that lies between two times of day, in seconds; to
// before from: over midnight. 0 where nothing was watched.
func (c *Clock) Share(from, to float64) float64 {
	if c.total == 0 {
		return 0
	}
	part := c.before(to) - c.before(from)
	if to < from {
		part += c.total
	}
	return part / c.total
}

func (c *Clock) before(second float64) float64 {
	return c.until[max(0, min(day, int(math.Round(second))))]
}

// Weekday is the share of the watched time that lies on a weekday.
func (c *Clock) Weekday(d time.Weekday) float64 {
	sum := 0.0
	for _, s := range c.weekday {
		sum += s
	}
	if sum == 0 {
		return 0
	}
	return c.weekday[d] / sum
}
