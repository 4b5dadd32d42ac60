package recurrence

import (
	"cmp"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/mathext"
)

// Burst is a run of events closer together than an even pace would make them.
type Burst struct {
	From     time.Time `json:"from"` // first event
	To       time.Time `json:"to"`   // last event
	Events   int       `json:"events"`
	P        float64   `json:"p"`          // chance of a run as short by itself
	Adjusted float64   `json:"p_adjusted"` // of that anywhere, for any number of events (Bonferroni)

	first, last int
}

const (
	mostInBurst = 200                  // longest run looked for
	mostBursts  = 5                    // told
	closest     = 1.0 / (60 * 60 * 24) // days; nearer events are as near as can be told
)

// bursts looks for runs of three or more events. At an even pace, k successive
// gaps of n events take a share of the time that is distributed as Beta(k, n−k+1).
func bursts(times []time.Time, at []float64, days float64) []Burst {
	n := len(at)
	if n < fewest || !(days > 0) {
		return []Burst{}
	}
	runs := 0.0 // that are looked at
	for k := 2; k < min(n, mostInBurst); k++ {
		runs += float64(n - k)
	}
	var found []Burst
	for i := range at {
		best := Burst{P: 2}
		for k := 2; k < min(n, mostInBurst) && i+k < n; k++ {
			gaps := max(at[i+k]-at[i], closest)
			if gaps >= days*float64(k)/float64(n+1) {
				continue // not even below the mean
			}
			if p := mathext.RegIncBeta(float64(k), float64(n-k+1), gaps/days); p < best.P {
				best = Burst{times[i], times[i+k], k + 1, p, math.Min(1, p*runs), i, i + k}
			}
		}
		if best.P <= alpha/runs {
			found = append(found, best)
		}
	}
	return apart(found)
}

// apart keeps the least likely of those that share events.
func apart(found []Burst) []Burst {
	slices.SortStableFunc(found, func(a, b Burst) int { return cmp.Compare(a.P, b.P) })
	out := []Burst{}
	for _, b := range found {
		if len(out) < mostBursts && !slices.ContainsFunc(out, func(o Burst) bool { return b.first <= o.last && o.first <= b.last }) {
			out = append(out, b)
		}
	}
	slices.SortFunc(out, func(a, b Burst) int { return a.From.Compare(b.From) })
	return out
}
