package brief

import (
	"fmt"
	"time"
)

// At is a time of day, on the clocks of a site.
type At struct{ Hour, Minute int }

// ParseAt reads "06:00".
func ParseAt(text string) (At, error) {
	t, err := time.Parse("15:04", text)
	if err != nil {
		return At{}, fmt.Errorf("%q isn't a time of day such as 06:00", text)
	}
	return At{t.Hour(), t.Minute()}, nil
}

// on is the time on a day. Every day has one: where clocks are put ahead past
// it, it is as far before or after the gap; where they are put back over it,
// one of the two.
func (a At) on(y int, m time.Month, d int, zone *time.Location) time.Time {
	return time.Date(y, m, d, a.Hour, a.Minute, 0, 0, zone)
}

// Last is the newest time of day that isn't after now.
func (a At) Last(now time.Time, zone *time.Location) time.Time {
	y, m, d := now.In(zone).Date()
	for back := -1; ; back++ { // of tomorrow too: a gap may lie at midnight
		if t := a.on(y, m, d-back, zone); !t.After(now) {
			return t
		}
	}
}

// Next is the first time of day after now.
func (a At) Next(now time.Time, zone *time.Location) time.Time {
	y, m, d := now.In(zone).Date()
	for ahead := -1; ; ahead++ {
		if t := a.on(y, m, d+ahead, zone); t.After(now) {
			return t
		}
	}
}
