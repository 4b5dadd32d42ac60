package recurrence

import (
	"time"

	"gonum.org/v1/gonum/mathext"
)

// Repair is what the events before and after a repair say about it.
type Repair struct {
	At     time.Time `json:"at"`
	Before Rate      `json:"rate_before"`
	After  Rate      `json:"rate_after"`

	EventsBefore int     `json:"events_before"`
	EventsAfter  int     `json:"events_after"`
	DaysBefore   float64 `json:"watched_days_before"`
	DaysAfter    float64 `json:"watched_days_after"`
	Outside      int     `json:"outside"` // known of, though nobody was watching; not counted

	// Luck is the chance of so few events after the repair if it had changed
	// nothing; Worse that of so many. Both by the exact conditional test.
	Luck  float64 `json:"luck"`
	Worse float64 `json:"worse"`
	// Ratio of the rates, after to before, with exact bounds at Level; nil
	// without an event before, RatioHigh 0 where there is no upper bound.
	Ratio     *float64 `json:"ratio"`
	RatioLow  float64  `json:"ratio_low"`
	RatioHigh float64  `json:"ratio_high,omitempty"`
	RatioMost float64  `json:"ratio_most,omitempty"` // one-sided upper bound at Level, which Luck goes with
	// More watched days without an event until Luck is down to 10 % and 5 %;
	// nil: no number of days can do it, 0: it is already.
	More90 *float64 `json:"more_days_90"`
	More95 *float64 `json:"more_days_95"`

	OK   bool     `json:"ok"` // false: nothing was watched before or after, and Text says so
	Text []string `json:"text"`
}

// Judge compares the watched time before a repair with that after it. The time
// before should be since watching began or since the repair before this one.
func Judge(times []time.Time, watched []Span, at time.Time) Repair {
	all := Watched(watched)
	before, after := all.Between(time.Time{}, at), all.Between(at, time.Time{})
	inside, _, outside := all.place(times)
	r := Repair{At: at, Outside: outside, DaysBefore: before.Days(), DaysAfter: after.Days()}
	for _, t := range inside {
		if t.Before(at) {
			r.EventsBefore++
		} else {
			r.EventsAfter++
		}
	}
	var okBefore, okAfter bool
	r.Before, okBefore = RateOf(r.EventsBefore, r.DaysBefore)
	r.After, okAfter = RateOf(r.EventsAfter, r.DaysAfter)
	r.Luck, r.Worse = 1, 1
	if r.OK = okBefore && okAfter; r.OK {
		r.compare()
	}
	r.Text = r.words()
	return r
}

// compare tests the two rates: of all events, as many fall after the repair as
// of n throws with the share of the time that lies after it (Przyborowski and
// Wilenski, Biometrika 31, 1940).
func (r *Repair) compare() {
	n, k := r.EventsBefore+r.EventsAfter, r.EventsAfter
	share := r.DaysAfter / (r.DaysBefore + r.DaysAfter)
	r.Luck = BinomialAtMost(k, n, share)
	r.Worse = BinomialAtLeast(k, n, share)
	if r.EventsBefore == 0 {
		return
	}
	ratio := r.After.PerDay / r.Before.PerDay
	r.Ratio = &ratio
	scale := r.DaysBefore / r.DaysAfter
	low, high := RatioBounds(k, n, Level)
	_, most := RatioBounds(k, n, 1-2*alpha)
	r.RatioLow, r.RatioHigh, r.RatioMost = scale*low, scale*high, scale*most
	r.More90, r.More95 = r.more(0.10), r.more(0.05)
}

// more is how many more days without an event bring Luck down to a level.
func (r *Repair) more(level float64) *float64 {
	left := mathext.InvRegIncBeta(float64(r.EventsBefore), float64(r.EventsAfter)+1, level) // share of the time before the repair
	if !(left > 0) {
		return nil
	}
	days := max(0, r.DaysBefore*(1-left)/left-r.DaysAfter)
	return &days
}

// BinomialAtMost is the chance of k or fewer of n, each with chance p.
func BinomialAtMost(k, n int, p float64) float64 {
	switch {
	case k >= n || p <= 0:
		return 1
	case k < 0 || p >= 1:
		return 0
	}
	return mathext.RegIncBeta(float64(n-k), float64(k)+1, 1-p)
}

// RatioBounds are the exact two-sided bounds on how many times as often the
// kind came of which k of n were seen as the other kind (Clopper and Pearson,
// Biometrika 26, 1934, made odds); high is 0 for k = n: there is none.
func RatioBounds(k, n int, level float64) (low, high float64) {
	tail := (1 - level) / 2
	if k > 0 {
		p := mathext.InvRegIncBeta(float64(k), float64(n-k)+1, tail)
		low = p / (1 - p)
	}
	if k < n {
		p := mathext.InvRegIncBeta(float64(k)+1, float64(n-k), 1-tail)
		high = p / (1 - p)
	}
	return low, high
}
