package anatomy

import (
	"math"

	"faultkeep/daemon/analysis/robust"
)

// excursion finds the largest deviation of the episode and where the way there
// began: after the deviation was last small for a while.
func (k *tracker) excursion() {
	t := k.t
	dev := func(i int) float64 { return shrink(t.off[i], k.excused(i)) }
	t.peak = 0
	top := t.onset
	for i := t.onset; i < len(t.off); i++ {
		if v := dev(i); math.Abs(v) > math.Abs(t.peak) {
			t.peak, top = v, i
		}
	}
	size := math.Abs(t.peak)
	high := math.Min(0.5*size, math.Max(0.25*size, 6*t.sigma))
	calm, at := 0, -1
	for i := t.onset; i <= top; i++ { // the first crossing after which it never rests
		switch v := math.Abs(dev(i)); {
		case v >= high && at < 0:
			at, calm = i, 0
		case v < 0.5*high:
			if calm++; calm > k.gap/2 {
				at = -1
			}
		default:
			calm = 0
		}
	}
	if at < 0 {
		at = top
	}
	k.backdate(at, top, high, dev)
}

// backdate goes back from sample at, on the way to the largest deviation at top,
// to where the deviation first exceeded what the channel does by itself. It
// passes over calm that is short against what it has gone through already: the
// zeros of an oscillation.
func (k *tracker) backdate(at, top int, high float64, dev func(int) float64) {
	t := k.t
	low := math.Max(math.Max(3, t.band)*t.sigma, k.least(at)*math.Abs(t.peak))
	low = math.Min(low, 0.8*high)
	first := at
	for i := at - 1; i >= 0; i-- {
		if math.IsInf(k.excused(i), 1) || first-i > max(2, (top-first)/2) {
			break
		}
		if math.Abs(dev(i)) >= low {
			first = i
		}
	}
	t.side = math.Copysign(1, dev(first))
	t.onset, t.alarm = first, max(at, first)
}

// least is the share of the largest deviation at which it is believed: more
// where the loop is busy.
func (k *tracker) least(i int) float64 {
	if t := k.t; t.cmd != nil && t.cmd.busy[i] && t.kind.quantity != temperature {
		return 0.1
	}
	return 0.03
}

// bend puts the onset of a slow channel where its slope changes: the breakpoint
// of the two lines that fit best.
func (k *tracker) bend() {
	t := k.t
	x := t.before(k.r.trigger)
	if at, ok := robust.Bend(x); ok && at > least {
		t.onset = min(at, len(x)-1)
		t.alarm = max(t.alarm, t.onset)
	}
}
