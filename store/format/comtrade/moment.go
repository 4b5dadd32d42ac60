package comtrade

import (
	"fmt"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"time"

	"faultkeep/store/capture"
)

// moment is a date and a time of day as a .cfg gives them.
type moment struct {
	naive  time.Time // as if it were UTC
	digits int       // of the fraction of a second
	given  bool
}

// in is the moment in UTC, if its clock ran in zone.
func (m moment) in(zone *time.Location) time.Time {
	t := m.naive
	return time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), t.Second(), t.Nanosecond(), zone).UTC()
}

var clock = regexp.MustCompile(`^(\d{1,4})[/.-](\d{1,2})[/.-](\d{1,4})[ ,;T]+(\d{1,2}):(\d{1,2})(?::(\d{1,2})(?:[.,:](\d{0,18}))?)?$`)

// times reads the moments of the first sample and of the trigger.
func (p *parser) times() error {
	for _, one := range []struct {
		to   *moment
		what string
	}{{&p.first, "the first sample's time"}, {&p.trigger, "the trigger's time"}} {
		line, err := p.next(one.what)
		if err != nil {
			return err
		}
		m, swapped, err := readMoment(line, p.edition == Edition1991)
		if err != nil {
			p.note("moment", "doesn't tell %s: %v", one.what, err)
		}
		if swapped {
			p.note("date order", "has the date %s, whose day and month were exchanged", quoted(line))
		}
		if m.digits > 6 && p.edition < Edition2013 {
			p.note("nanoseconds", "has a time to the nanosecond, which came with the 2013 edition")
		}
		*one.to = m
	}
	return nil
}

// readMoment reads "dd/mm/yyyy,hh:mm:ss.ssssss", or in the 1991 edition
// "mm/dd/yy,…". swapped: the order can only have been the other one.
func readMoment(line string, monthFirst bool) (m moment, swapped bool, err error) {
	f := clock.FindStringSubmatch(strings.Trim(strings.Join(fields(line), ","), ", "))
	if f == nil {
		return m, false, fmt.Errorf("%s is no date with a time of day", quoted(line))
	}
	var n [7]int
	for i := range n {
		n[i], _ = strconv.Atoi(f[i+1][:min(len(f[i+1]), 9)]) // digits only
	}
	day, month, year := n[0], n[1], n[2]
	if len(f[1]) == 4 { // year first, as ISO 8601 has it
		day, month, year = n[2], n[1], n[0]
	} else if monthFirst {
		day, month = month, day
	}
	if month > 12 && day <= 12 {
		day, month, swapped = month, day, true
	}
	if year < 100 {
		year += 1900
		if year < 1970 {
			year += 100
		}
	}
	nano := n[6]
	for range 9 - min(len(f[7]), 9) {
		nano *= 10
	}
	at := time.Date(year, time.Month(month), day, n[3], n[4], n[5], nano, time.UTC)
	date := time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	if date.Day() != day || int(date.Month()) != month || n[3] > 23 || n[4] > 59 || n[5] > 60 {
		return m, false, fmt.Errorf("%s is no date with a time of day", quoted(line))
	}
	return moment{naive: at, digits: len(f[7]), given: true}, swapped, nil
}

var codes = regexp.MustCompile(`^([+-]?)(\d{1,2})(?:[hH:](\d{2})?)?$`)

// offset reads a time code such as "-4", "+5h30" or "0": how far its clock is
// ahead of UTC. The source is IEEE C37.232, to which the standard points.
func offset(code string) (time.Duration, bool) {
	f := codes.FindStringSubmatch(code)
	if f == nil {
		return 0, false
	}
	hours, _ := strconv.Atoi(f[2])
	minutes, _ := strconv.Atoi(f[3])
	d := time.Duration(hours)*time.Hour + time.Duration(minutes)*time.Minute
	if d > 14*time.Hour || minutes > 59 {
		return 0, false
	}
	if f[1] == "-" {
		d = -d
	}
	return d, true
}

// unit is what one count of a time stamp is worth before it is multiplied, in
// seconds: a microsecond, or a nanosecond where the times carry nanoseconds.
func (c *config) unit() float64 {
	if c.first.digits > 6 || c.trigger.digits > 6 {
		return 1e-9
	}
	return 1e-6
}

// when is the index of the trigger sample and the trigger's time. zone is that
// of times whose file names none; nil: UTC.
func (c *config) when(t capture.Timing, zone *time.Location, n *notes) (index int, at time.Time) {
	if d, ok := offset(c.zone); ok {
		zone = time.FixedZone(c.zone, int(d/time.Second))
	}
	if zone == nil {
		zone = time.UTC
	}
	switch {
	case !c.trigger.given && !c.first.given:
		n.add("trigger", "%s doesn't tell when the trigger was; the first sample was taken for it", c.file)
		return 0, time.Time{}
	case !c.trigger.given:
		n.add("trigger", "%s doesn't tell when the trigger was; the first sample was taken for it", c.file)
		return 0, c.first.in(zone)
	case !c.first.given:
		n.add("trigger", "%s doesn't tell when the first sample was; it was taken for the trigger's", c.file)
		return 0, c.trigger.in(zone)
	}
	// The difference of what the clock showed: whether it was changed for
	// summer time in between, the file can't tell.
	after := c.trigger.naive.Sub(c.first.naive).Seconds()
	slack := t.Interval / 2
	if after < -slack || after > t.Duration()+slack {
		n.add("outside", "%s has its trigger %.6g s after the first sample, outside the record of %.6g s", c.file, after, t.Duration())
	}
	return nearest(t, after), c.trigger.in(zone)
}

// nearest is the index whose sample is nearest to a time in seconds after the
// first sample, from 0 to the number of samples.
func nearest(t capture.Timing, after float64) int {
	i := sort.Search(t.Samples, func(k int) bool { return t.Between(0, k) >= after })
	if i > 0 && after-t.Between(0, i-1) < t.Between(0, i)-after {
		return i - 1
	}
	return i
}
