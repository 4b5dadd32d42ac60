package coverage

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// mostSpells are told one by one in a sentence.
const mostSpells = 3

// Words are the coverage in one phrase, times in the zone:
// "watched 99.2 %; blind 03:02–03:11, unreachable".
func (c Coverage) Words(zone *time.Location) string {
	share, ok := c.Share(Watched)
	if !ok {
		return "not known: it wasn't in the config"
	}
	var b strings.Builder
	b.WriteString("watched " + Percent(share))
	blind := c.Blind()
	for k, i := range blind {
		if k == mostSpells {
			fmt.Fprintf(&b, "; and %d more", len(blind)-mostSpells)
			break
		}
		if b.WriteString("; "); k == 0 {
			b.WriteString("blind ")
		}
		b.WriteString(c.When(i, zone) + ", " + i.Why())
	}
	return b.String()
}

// When is an interval of the period in words, with its day where the period
// holds more than one.
func (c Coverage) When(i Interval, zone *time.Location) string {
	if c.To.Sub(c.From) <= 25*time.Hour { // a day, even if its clocks are put back
		return i.When(zone)
	}
	return i.words(zone, true)
}

// Why is the interval's cause in words.
func (i Interval) Why() string {
	if i.Cause != "" {
		return string(i.Cause)
	}
	return string(i.State)
}

// When is the interval in words, times in the zone: "03:02–03:11",
// "Tue 24 Nov 22:10–Wed 25 Nov 03:11", "06:13–now". Where the clocks were
// changed in between, the zone's name stands beside both times.
func (i Interval) When(zone *time.Location) string { return i.words(zone, false) }

func (i Interval) words(zone *time.Location, day bool) string {
	from, to := i.From.In(zone), i.To.In(zone)
	layout := "15:04"
	if i.Len() < time.Minute || from.Truncate(time.Minute).Equal(to.Truncate(time.Minute)) {
		layout = "15:04:05"
	}
	_, before := from.Zone()
	_, after := to.Zone()
	if before != after {
		layout += " MST"
	}
	begin, end := from.Format(layout), to.Format(layout)
	days := from.YearDay() != to.YearDay() || from.Year() != to.Year()
	if day || days {
		begin = from.Format("Mon 2 Jan ") + begin
	}
	if days {
		end = to.Format("Mon 2 Jan ") + end
	}
	if i.Open {
		end = "now"
	}
	return begin + "–" + end
}

// Percent never rounds up to a hundred what isn't, nor down to nothing what is something.
func Percent(share float64) string {
	switch p := math.Floor(share*1000+1e-9) / 10; {
	case share >= 1:
		return "100 %"
	case share <= 0:
		return "0 %"
	case p == 0:
		return "under 0.1 %"
	case p >= 100:
		return "99.9 %"
	default:
		return strconv.FormatFloat(p, 'f', 1, 64) + " %"
	}
}
