package anatomy

import (
	"math"

	"faultkeep/daemon/analysis/robust"
)

// settle is how long after a change of the setpoint's slope a loop may be busy
// with it, in seconds (common practice, no source).
const settle = 0.6

// loopTime is the longest time constant that a speed loop is expected to have,
// in seconds: a change of the slope by a leaves it behind by up to loopTime × a
// (common practice, no source).
const loopTime = 0.12

// move is a stretch in which a setpoint changes.
type move struct {
	from, to int     // [from, to)
	change   float64 // unit, from its beginning to its end
	rate     float64 // unit/s, steepest
}

// command is what a setpoint asked for.
type command struct {
	moves []move
	busy  []bool    // samples at which the loop may be busy with a move
	allow []float64 // by how much the actual value may then be off
	step  float64   // what counts as a change
}

// commandOf looks for the moves of a setpoint in samples [0, len(sp)).
func commandOf(at func(int) float64, sp []float64) *command {
	n := len(sp)
	c := &command{busy: make([]bool, n), allow: make([]float64, n)}
	top := 0.0
	for _, v := range sp {
		if !math.IsNaN(v-v) && math.Abs(v) > top {
			top = math.Abs(v)
		}
	}
	noise := robust.Noise(thin(sp))
	if math.IsNaN(noise) {
		noise = 0
	}
	c.step = max(5*noise, 1.5*robust.Step(sp), 1e-3*top)
	if top == 0 || n < 4 {
		return c
	}
	w := c.width(at, n)
	c.slopes(at, sp, w)
	return c
}

// width is over how many samples a slope is taken: 40 ms, at least two samples.
func (c *command) width(at func(int) float64, n int) int {
	pace := (at(n-1) - at(0)) / float64(n-1)
	return min(max(2, int(0.04/pace)), max(1, n/4))
}

// slopes marks moves, and lets the allowance jump where the slope changes and
// fade with the settling time.
func (c *command) slopes(at func(int) float64, sp []float64, w int) {
	n := len(sp)
	hold, since, last, was := 0.0, math.Inf(-1), math.Inf(-1), make([]float64, n)
	var m *move
	for i := 1; i < n; i++ {
		k := max(0, i-w)
		t, dt := at(i), at(i)-at(k)
		change := sp[i] - sp[k]
		slope := 0.0
		if math.Abs(change) > c.step {
			slope = change / dt
		}
		was[i] = slope
		if t-since > 0.8*settle {
			hold *= math.Exp(-(t - at(i-1)) / (0.4 * settle))
		}
		if kink := math.Abs(slope - was[max(0, i-w/2-1)]); kink > 0.9*hold {
			hold, since = max(hold, kink), t
		}
		if slope != 0 {
			last = t
			if m == nil {
				c.moves = append(c.moves, move{from: c.begin(sp, k, i), to: i + 1})
				m = &c.moves[len(c.moves)-1]
			}
			m.to = i + 1
			m.change = sp[i] - sp[m.from]
			m.rate = max(m.rate, math.Abs(slope))
		} else if !math.IsNaN(change) {
			m = nil
		}
		c.busy[i] = t-last <= settle
		c.allow[i] = loopTime * hold
	}
	for _, m := range c.moves { // the slope lags behind by up to its width
		for i := m.from; i < m.to; i++ {
			c.busy[i] = true
		}
	}
}

// begin is the last sample in [k, i] before the setpoint leaves its value at k.
func (c *command) begin(sp []float64, k, i int) int {
	for j := k; j < i; j++ {
		if math.Abs(sp[j+1]-sp[k]) > c.step/2 {
			return j
		}
	}
	return k
}

// thin takes every so many of the samples where they are more than a scale
// needs, neighbours staying together in sixteens.
func thin(v []float64) []float64 {
	const most = 4096
	if len(v) <= most {
		return v
	}
	out := make([]float64, 0, most)
	stride := 16 * len(v) / most
	for i := 0; i+16 <= len(v); i += stride {
		out = append(out, v[i:i+16]...)
	}
	return out
}
