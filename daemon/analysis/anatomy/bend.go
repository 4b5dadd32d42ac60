package anatomy

import (
	"math"

	"faultkeep/daemon/analysis/robust"
)

// bend dates the deviation of a slow channel, whose course is a line only for a
// while: at the breakpoint of the two lines that fit best, looked for again ever
// closer to it, since what follows isn't straight either. Its course is then the
// line before that.
func (k *tracker) bend() {
	t, n := k.t, len(k.x)
	at, ok := robust.Bend(k.x)
	from := 0
	for i := 0; ok && i < 3; i++ {
		after := max(n-at, 2*least)
		from = max(0, at-2*after)
		var b int
		if b, ok = robust.Bend(k.x[from:min(n, at+after/2)]); ok {
			at = from + b
		}
	}
	if at-from < least || at >= n {
		return
	}
	line, ok := robust.Fit(k.x[from:at])
	if !ok {
		return
	}
	for i, v := range k.x {
		t.off[i] = v - line.At(float64(i-from))
		if math.IsInf(v, 0) {
			t.off[i] = math.NaN()
		}
	}
	clear(t.doubt)
	copy(t.dev, t.off)
	t.base = at
	t.sigma = max(robust.Spread(thin(t.off[from:at]), t.step), 1e-9)
	k.date(at, max(from, at-(n-at)/2))
}
