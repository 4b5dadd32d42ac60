// Package recurrence says how often trips come, whether they come more often,
// whether they prefer an hour, a weekday or a shift, whether they come in
// bursts, and whether a repair has stopped them. Pure functions over times and
// the stretches in which somebody was watching; no I/O.
//
// Rates are per day of watched time, since a trip that nobody watches for
// isn't counted. What is found is evidence, never a diagnosis.
package recurrence

import (
	"cmp"
	"slices"
	"time"
)

// Level of the two-sided bounds, and 1 − Level of what counts as found by a test.
const Level = 0.95

const alpha = 1 - Level

// Event is one trip, kept or missed.
type Event struct {
	Time   time.Time
	Drive  string
	Fault  string // its code as the drive shows it; "": none known
	Family string // of captures that look alike; "": none
}

// Key names a group of events: all of a drive, those with one fault code, or
// those of one family.
type Key struct {
	Drive  string `json:"drive"`
	Coded  bool   `json:"coded,omitempty"` // only those with Fault
	Fault  string `json:"fault,omitempty"`
	Family string `json:"family,omitempty"` // only those of the family
}

// Group is the events of one key, ascending.
type Group struct {
	Key
	Times []time.Time
}

// Groups sorts events into groups: each drive's, each fault code's on a drive,
// and each family's of such a code. In the order of drive, code, family, the
// whole before its parts.
func Groups(events []Event) []Group {
	times := map[Key][]time.Time{}
	for _, e := range events {
		drive := Key{Drive: e.Drive}
		code := Key{Drive: e.Drive, Coded: true, Fault: e.Fault}
		times[drive] = append(times[drive], e.Time)
		times[code] = append(times[code], e.Time)
		if family := code; e.Family != "" {
			family.Family = e.Family
			times[family] = append(times[family], e.Time)
		}
	}
	out := make([]Group, 0, len(times))
	for key, t := range times {
		slices.SortFunc(t, time.Time.Compare)
		out = append(out, Group{key, t})
	}
	slices.SortFunc(out, func(a, b Group) int {
		return cmp.Or(cmp.Compare(a.Drive, b.Drive), cmp.Compare(number(a.Coded), number(b.Coded)),
			cmp.Compare(a.Fault, b.Fault), cmp.Compare(a.Family, b.Family))
	})
	return out
}

func number(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Options of a report. The zero value is good.
type Options struct {
	Zone   *time.Location // of hours, weekdays and shifts; nil: UTC
	Shifts []Shift        // nil: CommonShifts
}

func (o Options) zone() *time.Location {
	if o.Zone == nil {
		return time.UTC
	}
	return o.Zone
}

func (o Options) shifts() []Shift {
	if o.Shifts == nil {
		return CommonShifts
	}
	return o.Shifts
}

// Report is what the times of one group say.
type Report struct {
	Events   int       `json:"events"`         // within the watched time
	Outside  int       `json:"outside"`        // known of, though nobody was watching; in no rate
	Watched  float64   `json:"watched_days"`   //
	Rate     *Rate     `json:"rate"`           // nil: nothing was watched
	Trend    *Trend    `json:"trend"`          // nil: too few events
	PowerLaw *PowerLaw `json:"power_law"`      // nil: too few events
	Clusters []Cluster `json:"clusters"`       // found ones
	Bursts   []Burst   `json:"bursts"`         // found ones
	Text     []string  `json:"text"`           // sentences
	First    time.Time `json:"first,omitzero"` // event within the watched time
	Last     time.Time `json:"last,omitzero"`
}

// Fewest events of which a trend or a cluster is asked; with fewer, chance
// decides. Common practice, no source.
const fewest = 4

// Analyse says all about the times of one group. Times may come in any order;
// spans too, and they may overlap.
func Analyse(times []time.Time, watched []Span, o Options) Report {
	e := Watched(watched)
	inside, at, outside := e.place(times)
	r := Report{Events: len(inside), Outside: outside, Watched: e.Days(), Clusters: []Cluster{}, Bursts: []Burst{}}
	if rate, ok := RateOf(len(inside), e.Days()); ok {
		r.Rate = &rate
	}
	if len(inside) > 0 {
		r.First, r.Last = inside[0], inside[len(inside)-1]
	}
	if len(inside) >= fewest {
		if trend, ok := Laplace(at, e.Days()); ok {
			r.Trend = &trend
		}
		if law, ok := FitPowerLaw(begun(at, e.Days()), e.Days()); ok {
			r.PowerLaw = &law
		}
		r.Clusters = e.Clusters(inside, o)
		r.Bursts = bursts(inside, at, e.Days())
	}
	r.Text = r.words(o)
	return r
}

// begun puts events of the very first moment, where the power law has none, as
// late as can't be told from it.
func begun(at []float64, end float64) []float64 {
	out := slices.Clone(at)
	for i, t := range out {
		out[i] = max(t, min(closest, end))
	}
	return out
}
