package vibration

import (
	"fmt"
	"math"
	"slices"

	"faultkeep/store/capture"
)

// What an oscillation that swells up to the end of a stretch must show; a
// spectrum of the whole stretch hardly notices it.
const (
	turnBack    = 4.0 // in standard deviations of the quiet part: a way back that makes a turning point
	leastSwing  = 9.0 // the same, of the last swing from turning point to turning point
	leastSwings = 3   // that grow, one after the other
	leastGrowth = 1.1 // from one to the next
)

// swelling is an oscillation that grew up to the end of a stretch.
type swelling struct {
	signal      *signal
	hz, hzPM    float64
	course      course
	swings      int
	outstanding float64 // last swing in standard deviations of the quiet part
}

// turn is a turning point of a smoothed signal.
type turn struct {
	at     float64 // sample
	height float64
}

// swell looks for the clearest oscillation that swells up to the end.
func (l *looking) swell(series []capture.Series) (best swelling, ok bool) {
	for _, s := range l.signals {
		if found, is := swellOf(s, l.deviation(s, series)); is && found.outstanding > best.outstanding {
			best, ok = found, true
		}
	}
	return best, ok
}

// deviation of a speed is that from its setpoint; other signals are as they are.
func (l *looking) deviation(s *signal, series []capture.Series) []float64 {
	at := slices.IndexFunc(l.c.Channels, func(ch capture.Channel) bool {
		return ch.Role == capture.RoleSetpoint && ch.Unit == s.channel.Unit
	})
	if s.channel.Role != capture.RoleSpeed || at < 0 || at >= len(series) || s.first+len(s.x) > len(series[at]) {
		return s.x
	}
	out := make([]float64, len(s.x))
	for i := range out {
		if out[i] = s.x[i] - series[at][s.first+i]; !finite(out[i]) {
			return s.x
		}
	}
	return out
}

func swellOf(s *signal, y []float64) (swelling, bool) {
	y = smooth(y, max(1, int(0.015/s.dt))|1)
	sigma := spread(y[:len(y)*3/5])
	if sigma == 0 {
		return swelling{}, false
	}
	turns := lastTurns(y, turnBack*sigma, 12)
	swings := growing(turns)
	if len(swings) < leastSwings+1 {
		return swelling{}, false
	}
	half := (swings[len(swings)-1].at - swings[0].at) / float64(len(swings)-1)
	last := math.Abs(swings[len(swings)-1].height - swings[len(swings)-2].height)
	if last < leastSwing*sigma || float64(len(y)-1)-swings[len(swings)-1].at > 2*half {
		return swelling{}, false
	}
	var times, logs, even []float64
	uneven := 0.0
	for i := 1; i < len(swings); i++ {
		gap := swings[i].at - swings[i-1].at
		if gap < half/2 || gap > 2*half {
			return swelling{}, false
		}
		uneven = math.Max(uneven, math.Abs(gap-half))
		times = append(times, s.begin+(swings[i].at+swings[i-1].at)/2*s.dt)
		logs = append(logs, math.Log(math.Abs(swings[i].height-swings[i-1].height)/2))
		even = append(even, 1)
	}
	rate, level, se := line(times, logs, even)
	w := swelling{signal: s, hz: 1 / (2 * half * s.dt), swings: len(times), outstanding: last / sigma}
	w.hzPM = w.hz * math.Max(uneven, 1) / half / math.Sqrt(float64(len(times)))
	end := times[len(times)-1]
	noise := 2 * sigma / (math.Exp(logs[0]) * (end - times[0])) // of the first swing, on the slope
	w.course = course{rate: rate, pm: math.Max(3*se, noise), from: times[0], to: end,
		first: math.Exp(level + rate*times[0]), last: math.Exp(level + rate*end)}
	return w, rate > 1.5*w.course.pm
}

// lastTurns are up to n turning points from the end backwards, given in the
// order of time. Who turns back by less than back hasn't turned.
func lastTurns(y []float64, back float64, n int) (out []turn) {
	high, low, direction := len(y)-1, len(y)-1, 0
	for i := len(y) - 1; i >= 0 && len(out) < n; i-- {
		if y[i] > y[high] {
			high = i
		}
		if y[i] < y[low] {
			low = i
		}
		switch {
		case direction <= 0 && y[i]-y[low] >= back: // came down to low from here
			if direction < 0 || low < len(y)-1 {
				out = append(out, turn{float64(low), y[low]})
			}
			direction, high = 1, i
		case direction >= 0 && y[high]-y[i] >= back:
			if direction > 0 || high < len(y)-1 {
				out = append(out, turn{float64(high), y[high]})
			}
			direction, low = -1, i
		}
	}
	slices.Reverse(out)
	return out
}

// growing are the last turning points whose swings grow from one to the next.
func growing(turns []turn) []turn {
	swing := func(i int) float64 { return math.Abs(turns[i].height - turns[i-1].height) }
	from := len(turns) - 2
	for from > 0 && swing(from+1) >= leastGrowth*swing(from) {
		from--
	}
	return turns[max(from, 0):]
}

// spread is a robust standard deviation: 1.4826 times the median distance from
// the median, of some of its samples.
func spread(y []float64) float64 {
	var some []float64
	for i := 0; i < len(y); i += max(1, len(y)/1500) {
		some = append(some, y[i])
	}
	if len(some) == 0 {
		return 0
	}
	slices.Sort(some)
	middle := some[len(some)/2]
	for i := range some {
		some[i] = math.Abs(some[i] - middle)
	}
	slices.Sort(some)
	return 1.4826022 * some[len(some)/2]
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
	f.Basis = fmt.Sprintf("An exponential through %d swings between turning points, each larger than the one before; the last is %.0f standard deviations of the quiet part.", w.swings, w.outstanding)
	return f
}
