package vibration

import (
	"fmt"
	"math"
	"slices"

	"faultkeep/daemon/analysis/robust"
	"faultkeep/store/capture"
)

// What an oscillation that swells up to the end of a stretch must show; a
// spectrum of the whole stretch hardly notices it. Machines trip within one or
// two periods of it, so turning points find it and an exponential swing laid
// through them must agree.
const (
	turnBack    = 4.0     // in standard deviations of the quiet part: a way back that makes a turning point
	turnShare   = 0.25    // and at least this part of the swing before it: a ripple on a large swing is none
	clearSwing  = 9.0     // in standard deviations: the last turning points are further apart
	leastGrowth = 1.2     // from one swing to the next
	mostGrowth  = 4.0     // the same; more would be a damping ratio below −0.4, and is something else that happens
	mostTurns   = 12      // from the end backwards that are looked at
	mostTrail   = 1 << 16 // smoothed samples at the end that are looked at
)

// proof is what the exponential swing must show by the number of turning points:
// the more of them, the less can it be anything else. share is the part of the
// variance that it explains, sure the rate in multiples of its ±.
var proof = []struct{ share, sure float64 }{3: {0.9, 1.5}, 4: {0.85, 1}, 5: {0.8, 1}}

// swelling is an oscillation that grew up to the end of a stretch.
type swelling struct {
	signal      *signal
	hz, hzPM    float64
	course      course
	turns       int
	share       float64 // of the variance that the exponential swing explains
	outstanding float64 // last whole swing in standard deviations of the quiet part
}

// turn is a turning point of a smoothed signal.
type turn struct {
	at     int // sample
	height float64
}

// swell looks for the clearest oscillation that swells up to the end.
func (l *looking) swell(series []capture.Series) (best swelling, ok bool) {
	for _, s := range l.signals {
		if found, is := swellOf(s, l.end(s, series)); is && found.outstanding > best.outstanding {
			best, ok = found, true
		}
	}
	return best, ok
}

// trail is the smoothed end of a signal.
type trail struct {
	y     []float64
	begin float64 // seconds from the trigger
	dt    float64
}

// end smooths the end of a signal over 15 ms: of a speed its deviation from the setpoint, of other signals themselves.
func (l *looking) end(s *signal, series []capture.Series) trail {
	width := max(1, int(0.015/s.dt)) | 1
	stride := max(1, width/8)
	from := max(0, len(s.x)-mostTrail*stride)
	x := s.x[from:]
	at := slices.IndexFunc(l.c.Channels, func(ch capture.Channel) bool {
		return ch.Role == capture.RoleSetpoint && ch.Unit == s.channel.Unit
	})
	if s.channel.Role == capture.RoleSpeed && at >= 0 && at < len(series) && s.first+len(s.x) <= len(series[at]) {
		set, off := series[at][s.first+from:], make([]float64, len(x))
		known := true
		for i := range off {
			off[i] = x[i] - set[i]
			known = known && finite(off[i])
		}
		if known {
			x = off
		}
	}
	return trail{y: smooth(x, width, stride), begin: s.at(from), dt: s.dt * float64(stride)}
}

// swellOf finds the last turning points, of which every one is further from the
// one before it than that was, on the other side and in about even time, and
// lays an exponential swing through what they span.
func swellOf(s *signal, t trail) (best swelling, found bool) {
	rest, sigma := spread(t.y[:len(t.y)*3/5])
	if !(sigma > 0) {
		return swelling{}, false
	}
	turns := turnsOf(t.y, turnBack*sigma)
	end := turn{len(t.y) - 1, t.y[len(t.y)-1]} // it may have been about to turn when the machine tripped
	for _, some := range [][]turn{turns, append(turns, end)} {
		if w, ok := swellBy(s, t, swelled(some, rest), sigma); ok && w.share > best.share {
			best, found = w, true
		}
	}
	return best, found
}

// swellBy judges what some turning points show. Three are enough only where the
// level at rest is known, as that of a deviation from the setpoint: other
// signals go up and down with the load.
func swellBy(s *signal, t trail, turns []turn, sigma float64) (swelling, bool) {
	n := len(turns)
	if n < 3 || n < 4 && s.channel.Role != capture.RoleSpeed {
		return swelling{}, false
	}
	first, last := turns[0].at, turns[n-1].at
	half := float64(last-first) / float64(n-1)
	size := math.Abs(turns[n-1].height - turns[n-2].height)
	if size < clearSwing*sigma || float64(len(t.y)-last) > 2*half {
		return swelling{}, false
	}
	until := min(len(t.y), last+int(half/2)+1)
	fit, ok := fitSwing(t.y[first:until], half, turns, sigma, t.dt)
	needs := proof[min(n, len(proof)-1)]
	if !ok || fit.share < needs.share || fit.rate < needs.sure*fit.ratePM || math.Abs(fit.hz*2*half*t.dt-1) > 0.3 {
		return swelling{}, false
	}
	w := swelling{signal: s, hz: fit.hz, hzPM: fit.hzPM, turns: n, share: fit.share, outstanding: size / sigma}
	w.course = course{rate: fit.rate, pm: fit.ratePM, from: t.begin + float64(first)*t.dt, to: t.begin + float64(last)*t.dt}
	w.course.last = fit.amplitude * math.Exp(-fit.rate*float64(until-1-last)*t.dt)
	w.course.first = w.course.last * math.Exp(fit.rate*(w.course.from-w.course.to))
	return w, true
}

// turnsOf are the turning points of a signal in the order of time. Who hasn't
// come back by as much as back, or by a part of the way that led there, hasn't turned.
func turnsOf(y []float64, back float64) (out []turn) {
	low, high, way, direction := turn{0, y[0]}, turn{0, y[0]}, 0.0, 0
	for i, v := range y {
		if v > high.height {
			high = turn{i, v}
		}
		if v < low.height {
			low = turn{i, v}
		}
		need := max(back, turnShare*way)
		switch {
		case direction >= 0 && high.height-v >= need:
			if out = append(out, high); len(out) > 1 {
				way = high.height - out[len(out)-2].height
			}
			direction, low = -1, turn{i, v}
		case direction <= 0 && v-low.height >= need:
			if out = append(out, low); len(out) > 1 {
				way = out[len(out)-2].height - low.height
			}
			direction, high = 1, turn{i, v}
		}
		if len(out) > mostTurns {
			out = slices.Delete(out, 0, 1)
		}
	}
	return out
}

// swelled are the last turning points whose swings grow and follow each other
// in about even time, each on the other side of the level at rest.
func swelled(turns []turn, rest float64) []turn {
	off := func(i int) float64 { return turns[i].height - rest }
	swing := func(i int) float64 { return math.Abs(turns[i].height - turns[i-1].height) }
	gap := func(i int) float64 { return float64(turns[i].at - turns[i-1].at) }
	from := max(len(turns)-2, 0)
	if len(turns) < 2 || off(from)*off(from+1) > 0 {
		return nil
	}
	for from > 0 {
		growth, longer := swing(from+1)/swing(from), gap(from)/gap(from+1)
		if off(from)*off(from+1) > 0 || growth < leastGrowth || growth > mostGrowth || longer < 0.5 || longer > 2 {
			break
		}
		from--
	}
	return turns[from:]
}

// spread is the middle of a signal and a robust standard deviation about it, by
// up to 1,500 of its samples.
func spread(y []float64) (middle, sigma float64) {
	stride := max(1, len(y)/1500)
	some := make([]float64, 0, len(y)/stride+1)
	for i := 0; i < len(y); i += stride {
		some = append(some, y[i])
	}
	if len(some) == 0 {
		return 0, 0
	}
	return robust.Median(some), robust.MAD(some)
}

// swellFinding puts it into words.
func (l *looking) swellFinding(w swelling) capture.Finding {
	unit := w.signal.channel.Unit
	until := "the end of the record"
	if tripped(l.c) {
		until = "the trip"
	}
	doubling := math.Ln2 / w.course.rate
	unsure := doubling * w.course.pm / w.course.rate
	f := capture.Finding{Kind: capture.FindingGrowth, Name: Growing, Channels: []string{w.signal.name()}, From: w.course.from, To: w.course.to}
	f.Text = fmt.Sprintf("An oscillation of %s at %s grew until %s: its amplitude doubled every %s, from %s to %s.", w.signal.name(),
		plusMinus(w.hz, w.hzPM, "Hz"), until, plusMinus(doubling, unsure, "s"), num(w.course.first, w.course.first/10), with(w.course.last, w.course.last/10, unit))
	f.Values = []capture.Quantity{{Name: "frequency", Value: w.hz, Unit: "Hz", PlusMinus: w.hzPM},
		{Name: "growth rate", Value: w.course.rate, Unit: "1/s", PlusMinus: w.course.pm},
		{Name: "first amplitude", Value: w.course.first, Unit: unit}, {Name: "last amplitude", Value: w.course.last, Unit: unit},
		{Name: "doubling time", Value: doubling, Unit: "s", PlusMinus: unsure}}
	f.Basis = fmt.Sprintf("An exponential swing through %d turning points, each further from the last than that from the one before; it explains %.0f %% of the variance there, and the last whole swing is %.0f standard deviations of the quiet part.", w.turns, 100*w.share, w.outstanding)
	return f
}
