package anatomy

import (
	"math"

	"faultkeep/store/capture"
)

// signal is one analog channel with what is known about it.
type signal struct {
	index   int
	name    string
	unit    string
	kind    kind
	samples []float64 // the whole record; missing ones are NaN
	partner *signal   // its setpoint
	cmd     *command  // of a setpoint: its moves; of others: those of the setpoint that rules them
}

// record is a capture as the analysis sees it.
type record struct {
	c       capture.Capture
	trigger int // samples before the trigger
	n       int // samples of the longest channel
	signals []*signal
	at      func(int) float64
}

// newRecord sorts the channels out. Channels without samples are left out and
// named.
func newRecord(c capture.Capture, series []capture.Series) (r *record, empty []string) {
	r = &record{c: c, at: c.At}
	for i, ch := range c.Channels {
		if i >= len(series) || len(series[i]) == 0 {
			empty = append(empty, ch.Name)
			continue
		}
		r.n = max(r.n, len(series[i]))
		k := kindOf(ch)
		s := &signal{index: i, name: ch.Name, unit: ch.Unit, kind: k, samples: series[i]}
		r.signals = append(r.signals, s)
	}
	r.trigger = min(max(c.Trigger.Index, 0), r.n)
	r.pair()
	return r, empty
}

// pair gives every measured channel the setpoint of its quantity, and all the
// others the moves of the main setpoint: of speed, else the first there is.
func (r *record) pair() {
	var main *signal
	for _, s := range r.signals {
		if !s.kind.setpoint {
			continue
		}
		s.cmd = commandOf(r.at, s.before(r.trigger))
		if main == nil || s.kind.quantity == speed && main.kind.quantity != speed {
			main = s
		}
		for _, m := range r.signals {
			if !m.kind.setpoint && m.partner == nil && m.kind.quantity == s.kind.quantity && m.unit == s.unit {
				m.partner = s
				m.cmd = s.cmd
			}
		}
	}
	if main == nil {
		return
	}
	for _, s := range r.signals {
		if s.cmd == nil {
			s.cmd = main.cmd
		}
	}
}

// before are the samples before index n, as many as there are.
func (s *signal) before(n int) []float64 { return s.samples[:min(n, len(s.samples))] }

// of is the first measured channel of a quantity, or nil.
func (r *record) of(q quantity) *signal {
	for _, s := range r.signals {
		if s.kind.quantity == q && !s.kind.setpoint {
			return s
		}
	}
	return nil
}

// pace is the time between samples around i, in seconds.
func (r *record) pace(i int) float64 {
	if r.n < 2 {
		return math.Max(r.c.Timing.Interval, 0)
	}
	i = min(max(i, 1), r.n-1)
	return r.at(i) - r.at(i-1)
}
