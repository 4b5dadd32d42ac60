package anatomy

import (
	"math"

	"faultkeep/store/capture"
)

// window is the most samples before the trigger that are searched for what moved:
// it bounds time and memory, and what acts on a drive so long before it trips
// shows in a slower channel of another recording.
const window = 1 << 17

// signal is one channel with what is known about it.
type signal struct {
	index   int
	name    string
	unit    string
	kind    kind
	all     []float64 // the whole record; missing samples are NaN
	samples []float64 // those of all that are looked at: the window before the trigger and what comes after it
	partner *signal   // the command that it should follow
	heated  bool      // a temperature whose course the current's losses are part of

	top    float64   // largest size of a sample before the trigger
	finite int       // samples before the trigger that can be used …
	step   float64   // … their smallest difference …
	blocks []float64 // … and medians of blocks of them, less the setpoint; nil: not yet taken
}

// record is a capture as the analysis sees it. Samples are counted from the
// window's first.
type record struct {
	c       capture.Capture
	skipped int       // samples before the window
	trigger int       // samples of the window before the trigger
	times   []float64 // s from the trigger, of each sample before it and the next few
	signals []*signal
	main    *signal  // the command that rules the drive: of speed, else the first there is, or nil
	moves   *effects // of that command
}

// newRecord sorts the channels out. Channels without samples are left out and
// named.
func newRecord(c capture.Capture, series []capture.Series) (r *record, empty []string) {
	r = &record{c: c}
	n := 0
	for i, ch := range c.Channels {
		if i >= len(series) || len(series[i]) == 0 {
			empty = append(empty, ch.Name)
			continue
		}
		n = max(n, len(series[i]))
		r.signals = append(r.signals, &signal{index: i, name: ch.Name, unit: ch.Unit, kind: kindOf(ch), all: series[i]})
	}
	r.trigger = min(max(c.Trigger.Index, 0), n)
	r.skipped = max(0, r.trigger-window)
	r.trigger -= r.skipped
	r.times = make([]float64, r.trigger+2)
	for i := range r.times {
		r.times[i] = c.At(i + r.skipped)
	}
	for _, s := range r.signals {
		s.samples = s.all[min(r.skipped, len(s.all)):]
	}
	r.pair()
	return r, empty
}

// at is the time of a sample in seconds from the trigger; those before the window
// have negative numbers.
func (r *record) at(i int) float64 {
	if i >= 0 && i < len(r.times) {
		return r.times[i]
	}
	return r.c.At(i + r.skipped)
}

// pair finds the command that rules the drive and the channels that should
// follow it. Setpoints of inner loops answer to what happens, as measured
// channels do, and are treated as those.
func (r *record) pair() {
	for _, s := range r.signals {
		if s.kind.setpoint && (r.main == nil || s.kind.quantity == speed && r.main.kind.quantity != speed) {
			r.main = s
		}
	}
	if r.main == nil {
		return
	}
	for _, s := range r.signals {
		if s != r.main && !s.kind.setpoint && s.kind.quantity == r.main.kind.quantity && s.unit == r.main.unit {
			s.partner = r.main
		}
	}
	r.moves = r.effectsOf(r.main.before(r.trigger))
}

// before are the samples before index n, as many as there are.
func (s *signal) before(n int) []float64 { return s.samples[:min(n, len(s.samples))] }

// measured tells whether a signal can have left its course.
func (r *record) measured(s *signal) bool { return s.kind.quantity != digital && s != r.main }

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
	i = max(i, 1)
	return r.at(i) - r.at(i-1)
}

// samplesIn is how many samples a length of time takes just before the trigger.
func (r *record) samplesIn(seconds float64) int {
	if p := r.pace(r.trigger); p > 0 {
		return int(math.Min(seconds/p, float64(r.trigger)))
	}
	return 0
}
