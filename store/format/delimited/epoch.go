package delimited

import (
	"math"
	"time"
)

// epoch is a time column that counts from the beginning of 1970 UTC, as POSIX
// clocks do (IEEE Std 1003.1, 4.19: Seconds Since the Epoch).
type epoch struct {
	first     float64 // the first sample's, in the column's unit
	perSecond float64
}

// Years in which a recording can have been made; counts outside are taken for
// times since something else.
const (
	epochFrom = 946684800  // 2000, in seconds
	epochTo   = 4102444800 // 2100
)

// epochOf tells whether a column counts from 1970. Without a unit, the one is
// taken that makes it a recording's year; guessed is its name where that isn't
// the second.
func epochOf(first float64, unit string) (e epoch, guessed string, ok bool) {
	within := func(perSecond float64) bool {
		seconds := first / perSecond
		return seconds >= epochFrom && seconds < epochTo
	}
	if unit != "" {
		perSecond := math.Round(1 / timeUnits[unit])
		return epoch{first, perSecond}, "", perSecond >= 1 && within(perSecond)
	}
	for _, u := range []struct {
		perSecond float64
		name      string
	}{{1, ""}, {1e3, "milliseconds"}, {1e6, "microseconds"}, {1e9, "nanoseconds"}} {
		if within(u.perSecond) {
			return epoch{first, u.perSecond}, u.name, true
		}
	}
	return epoch{}, "", false
}

// seconds since the first sample. The difference is taken first: it is exact,
// where a count of seconds would have lost its last digits.
func (e epoch) seconds(v float64) float64 { return (v - e.first) / e.perSecond }

// time of the first sample.
func (e epoch) time(zone *time.Location) time.Time {
	whole := math.Floor(e.first / e.perSecond)
	return time.Unix(int64(whole), int64(math.Round((e.first-whole*e.perSecond)/e.perSecond*1e9))).In(zone)
}
