package recurrence

import (
	"slices"
	"sort"
	"time"
)

// Span is a stretch of time.
type Span struct{ From, To time.Time }

// Exposure is the watched time: stretches that neither touch nor overlap,
// ascending.
type Exposure struct {
	spans  []Span
	before []float64 // s watched before each
	total  float64   // s
}

const day = 86400 // s

// Watched joins stretches in any order. One that ends before it begins counts
// for nothing.
func Watched(spans []Span) Exposure {
	var e Exposure
	sorted := slices.Clone(spans)
	slices.SortFunc(sorted, func(a, b Span) int { return a.From.Compare(b.From) })
	for _, s := range sorted {
		last := len(e.spans) - 1
		switch {
		case !s.To.After(s.From):
		case last >= 0 && !s.From.After(e.spans[last].To):
			if s.To.After(e.spans[last].To) {
				e.spans[last].To = s.To
			}
		default:
			e.spans = append(e.spans, s)
		}
	}
	for _, s := range e.spans {
		e.before = append(e.before, e.total)
		e.total += seconds(s.From, s.To)
	}
	return e
}

// seconds between two times, however far apart; a Duration ends at 292 years.
func seconds(from, to time.Time) float64 {
	return float64(to.Unix()-from.Unix()) + float64(to.Nanosecond()-from.Nanosecond())/1e9
}

// Days watched in all.
func (e Exposure) Days() float64 { return e.total / day }

// At is how many days had been watched at t. ok is false where nobody was
// watching then; the ends of a stretch belong to it.
func (e Exposure) At(t time.Time) (days float64, ok bool) {
	i := sort.Search(len(e.spans), func(i int) bool { return e.spans[i].From.After(t) }) - 1
	if i < 0 {
		return 0, false
	}
	if t.After(e.spans[i].To) {
		return (e.before[i] + seconds(e.spans[i].From, e.spans[i].To)) / day, false
	}
	return (e.before[i] + seconds(e.spans[i].From, t)) / day, true
}

// Between is the part of the exposure between two times; a zero one leaves
// that side open.
func (e Exposure) Between(from, to time.Time) Exposure {
	var part []Span
	for _, s := range e.spans {
		if s.From.Before(from) {
			s.From = from
		}
		if !to.IsZero() && s.To.After(to) {
			s.To = to
		}
		part = append(part, s)
	}
	return Watched(part)
}

// place sorts events and lays them on the axis of watched time, in days.
func (e Exposure) place(times []time.Time) (inside []time.Time, at []float64, outside int) {
	sorted := slices.Clone(times)
	slices.SortFunc(sorted, time.Time.Compare)
	for _, t := range sorted {
		x, ok := e.At(t)
		if !ok {
			outside++
			continue
		}
		inside, at = append(inside, t), append(at, x)
	}
	return inside, at, outside
}
