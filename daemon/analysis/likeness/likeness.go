// Package likeness says which captures look alike. A capture's picture is made
// small once (Of), two of them are compared (Alike), and those of one drive type
// and fault code are grouped into families (Families, Place); which of those look
// alike under several codes can be asked (Kindred). Pure functions, no I/O.
//
// A family is a likeness of pictures and of what stands out in them, not of
// causes: what its members have in common is a candidate for a closer look, no
// diagnosis.
package likeness

import (
	"math"
	"sort"

	"faultkeep/daemon/analysis/robust"
	"faultkeep/store/capture"
)

// Version of Print. Prints of different versions can't be compared; the older
// one is made again from the samples.
const Version = 2

// The time axis of a print is fine about the trigger and coarse away from it:
// bin b begins at nearest·sinh((b−before)·widening) seconds from the trigger.
// That is 7 ms there and a second 4 s before. What comes before counts as the
// usual state, and what a drive does later than 0.16 s after a trip is alike
// for all trips.
const (
	nearest  = 0.02 // s
	widening = 0.35
	before   = 17
	after    = 8
	bins     = before + after

	usual    = 8.0 // s before the trigger that are looked at, at most
	least    = 16  // samples before the trigger that are needed
	mostRows = 64
	one      = 100 // cell that means 1
)

// Print is the picture of a capture, small enough to be kept with it: at most
// 1,600 cells and 64 names. Plain values, for JSON and gob.
type Print struct {
	Version int      `json:"version"`
	Rows    []string `json:"rows,omitempty"`  // what each row shows, ascending
	Cells   []byte   `json:"cells,omitempty"` // int8, by bin and then by row, in hundredths; see row
	From    int      `json:"from"`            // first bin that the record has
	To      int      `json:"to"`              // bin after the last
	Asked   float64  `json:"asked"`           // share of the speed's deviation that the setpoint made, 0…1
	Cause   string   `json:"cause,omitempty"` // the candidate that stands out by what moved first; empty: none does
	Why     string   `json:"why,omitempty"`   // why there is no picture, part of a sentence; empty: there is one
}

// Of makes the print of a capture, its Cause left open. series are the channels' samples in the order
// of c.Channels; a missing sample is NaN. The cost grows linearly with samples.
func Of(c capture.Capture, series []capture.Series) Print {
	p := Print{Version: Version}
	s, why := cut(c, series)
	if p.Why = why; why != "" {
		return p
	}
	rows := s.rows()
	if len(rows) == 0 {
		p.Why = "no channel but setpoints has samples before the trigger"
		return p
	}
	p.From, p.To, p.Asked = s.from, s.to, s.asked()
	for _, r := range rows {
		p.Rows = append(p.Rows, r.name)
	}
	p.Cells = make([]byte, bins*len(rows))
	for k, r := range rows {
		for b, v := range r.cells {
			p.Cells[b*len(rows)+k] = byte(int8(math.Round(one * min(max(v, -1.27), 1.27))))
		}
	}
	return p
}

// shot is the part of a capture that a print shows.
type shot struct {
	signals  []signal
	edges    [bins + 1]int // sample at which each bin begins
	trigger  int           // samples before it
	from, to int           // bins of the record
	way      float64       // −1: the shaft turns backwards
}

// signal is a channel's samples in that part.
type signal struct {
	capture.Channel
	x []float64
}

// cut takes the part about the trigger; why says why there is none.
func cut(c capture.Capture, series []capture.Series) (s shot, why string) {
	n := 0
	for i := range min(len(series), len(c.Channels)) {
		n = max(n, len(series[i]))
	}
	if !steady(c.Timing) {
		return s, "the time between samples isn't known"
	}
	trigger := c.Trigger.Index
	switch {
	case n == 0:
		return s, "there are no samples"
	case trigger < least:
		return s, "there are fewer than 16 samples before the trigger"
	case trigger > n:
		return s, "the record ends before the trigger"
	}
	at := func(t float64) int { return sort.Search(n, func(i int) bool { return c.At(i) >= t }) }
	begin, end := min(at(-usual), trigger-least), at(edge(bins))
	for b := range s.edges {
		s.edges[b] = min(max(at(edge(b))-begin, 0), end-begin)
	}
	s.edges[before] = trigger - begin
	s.trigger = trigger - begin
	s.from, s.to = bins, 0
	for i := range min(len(series), len(c.Channels)) {
		x := series[i][min(begin, len(series[i])):min(end, len(series[i]))]
		if first, last := present(x); first < min(last, s.trigger) {
			s.signals = append(s.signals, signal{c.Channels[i], x})
			s.from, s.to = min(s.from, s.bin(first)), max(s.to, s.bin(last-1)+1)
		}
	}
	if len(s.signals) == 0 {
		return s, "no channel has samples before the trigger"
	}
	if before-s.from < fewest {
		return s, "too little of the record before the trigger is there"
	}
	s.way = s.turning()
	return s, ""
}

// edge is when bin b begins, in seconds from the trigger.
func edge(b int) float64 { return nearest * math.Sinh(float64(b-before)*widening) }

// bin of sample i.
func (s *shot) bin(i int) int {
	return max(0, sort.Search(bins, func(b int) bool { return s.edges[b+1] > i }))
}

// steady tells whether samples have times that go forward.
func steady(t capture.Timing) bool {
	good := func(dt float64) bool { return dt > 0 && dt < 1e6 }
	end := 0
	for _, r := range t.Rates {
		if !good(r.Interval) || r.End <= end {
			return false
		}
		end = r.End
	}
	return good(t.Interval)
}

// present is the range of samples from the first that is a number to the last.
func present(x []float64) (first, last int) {
	ok := func(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
	for first < len(x) && !ok(x[first]) {
		first++
	}
	for last = len(x); last > first && !ok(x[last-1]); {
		last--
	}
	return first, last
}

// of is the first signal with a role, or nil.
func (s *shot) of(role capture.Role) *signal {
	for i := range s.signals {
		if s.signals[i].Role == role {
			return &s.signals[i]
		}
	}
	return nil
}

// turning is −1 where the shaft mostly turns backwards before the trigger: a
// machine that goes both ways has the same faults mirrored.
func (s *shot) turning() float64 {
	for _, role := range []capture.Role{capture.RoleSpeed, capture.RoleSetpoint} {
		if g := s.of(role); g != nil {
			sum := 0.0
			for _, v := range g.x[:min(s.trigger, len(g.x))] {
				if !math.IsNaN(v) && !math.IsInf(v, 0) {
					sum += math.Copysign(math.Min(math.Abs(v), 1e9), v)
				}
			}
			if sum < 0 {
				return -1
			}
			return 1
		}
	}
	return 1
}

// asked is how much of the speed's deviation from its setpoint came from the
// setpoint: 1 where it went away and the speed stayed, 0 where it was the other
// way round, or where nothing deviated.
func (s *shot) asked() float64 {
	d, set, ok := s.deviation()
	if !ok {
		return 0
	}
	d, set = d[:min(s.trigger, len(d))], set[:min(s.trigger, len(set))]
	base, noise := robust.Median(d[:quiet(len(d))]), robust.Noise(d)
	peak, size := 0, 0.0
	for i := range d {
		if v := math.Abs(d[i] - base); v > size && !math.IsInf(v, 0) {
			peak, size = i, v
		}
	}
	from := peak
	for from > 0 && !(math.Abs(d[from]-base) <= math.Max(0.1*size, 3*noise)) {
		from--
	}
	half := from
	for half < peak && !(math.Abs(d[half]-base) >= 0.5*size) {
		half++
	}
	// What the setpoint would have done anyway, going on as before, doesn't count.
	span := half - from
	moved := set[half] - set[from]
	if from >= 2*span {
		moved -= set[from-span] - set[from-2*span]
	}
	share := -moved / (d[half] - d[from])
	sure := significance(size/spread(d, robust.Step(d)), movesLow, movesHigh)
	if share = min(max(share, 0), 1) * sure; math.IsNaN(share) {
		return 0
	}
	return math.Round(one*share) / one
}

// deviation is the speed minus its setpoint until the trigger, and without it
// from there, where the drive follows none; ok is false without such a pair.
func (s *shot) deviation() (d, set []float64, ok bool) {
	actual, wanted := s.of(capture.RoleSpeed), s.of(capture.RoleSetpoint)
	if actual == nil || wanted == nil || actual.Unit != wanted.Unit {
		return nil, nil, false
	}
	n := len(actual.x)
	d, set = make([]float64, n), make([]float64, n)
	for i := range d {
		d[i], set[i] = actual.x[i], math.NaN()
		if i < len(wanted.x) {
			set[i] = wanted.x[i]
		}
		if i < s.trigger {
			d[i] -= set[i]
		}
	}
	return d, set, true
}
