package vibration

import (
	"math"
	"slices"
	"strings"
	"sync"

	"faultkeep/store/capture"
)

// mostTurned is how many samples, the last ones, are resampled over the angle: in
// a million of them every order shows, and the memory stays bounded.
const mostTurned = 1 << 20

// shaft is how the shaft turned, by a speed channel.
type shaft struct {
	speed     *signal
	mean      float64   // revolutions a second, without sign
	low, high float64   // within which 98 % of the samples lie
	varies    bool      // by more than a line's width at low orders
	perUnit   float64   // revolutions a second in the channel's unit
	revs      []float64 // speeds in revolutions a second, ascending: how long it had which
	angle     []float64 // revolutions at each of the speed's last samples; nil: not needed yet
	places    []place   // where even steps of the angle lie in the samples from … to−1; most channels share them
	from, to  int
	why       string // why there are no orders; empty: there are
}

func (s shaft) known() bool { return s.speed != nil && s.why == "" }

// perUnitOf is what one unit of speed is in revolutions a second; 0 where the
// unit doesn't tell the shaft's speed: Hz of an output need the pole pairs and
// the slip, per cent need what is 100 %.
func perUnitOf(unit string) float64 {
	switch strings.ToLower(strings.Join(strings.Fields(unit), "")) {
	case "rpm", "1/min", "r/min", "rev/min", "min-1", "min⁻¹", "min^-1", "u/min":
		return 1.0 / 60
	case "1/s", "r/s", "rev/s", "rps", "s-1", "s⁻¹":
		return 1
	case "rad/s":
		return 1 / (2 * math.Pi)
	}
	return 0
}

func shaftOf(c capture.Capture, series []capture.Series) shaft {
	s := shaft{why: "no channel has the role speed and a unit such as rpm"}
	for i, ch := range c.Channels {
		if ch.Role != capture.RoleSpeed || perUnitOf(ch.Unit) == 0 || i >= len(series) {
			continue
		}
		found := stretch(c, series[i])
		if len(found.x) < least {
			s.why = "the speed channel has too few samples in a row"
			continue
		}
		found.channel, found.index = ch, i
		s.speed, s.perUnit, s.why = found, perUnitOf(ch.Unit), ""
		break
	}
	if s.why != "" {
		return s
	}
	s.measure()
	return s
}

// measure takes the speed's level and range from some thousand of its samples,
// averaged over a fifth of a second: an oscillation of the speed is none of its
// range.
func (s *shaft) measure() {
	n := len(s.speed.x)
	s.revs = smooth(s.speed.x, max(1, min(int(0.2/s.speed.dt), n/8))|1, max(1, n/2000))
	for i := range s.revs {
		s.revs[i] *= s.perUnit
	}
	slices.Sort(s.revs)
	if s.revs[len(s.revs)-1] <= 0 {
		slices.Reverse(s.revs)
		for i := range s.revs {
			s.revs[i] = -s.revs[i]
		}
	}
	s.low, s.high = s.revs[len(s.revs)/100], s.revs[len(s.revs)-1-len(s.revs)/100]
	if s.revs[0] <= 0.05*s.high || s.high*float64(n)*s.speed.dt < 5 {
		s.why = "the shaft stands still or turns back within the record"
		return
	}
	for _, v := range s.revs {
		s.mean += v / float64(len(s.revs))
	}
	s.varies = s.high-s.low > 0.03*s.mean
}

// dwells is the share of the time in which the speed is within the given bounds.
func (s shaft) dwells(low, high float64) float64 {
	from, _ := slices.BinarySearch(s.revs, low)
	to, _ := slices.BinarySearch(s.revs, high)
	return float64(to-from) / float64(len(s.revs))
}

// byAngle is a signal resampled at even steps of the shaft's angle, with its
// samples a revolution: those of the fastest part, so that no bandwidth is made
// up; what folds in slower parts smears. ok is false where the speed doesn't cover it.
func (s *shaft) byAngle(x *signal) (out []float64, perRev float64, ok bool) {
	from, to := max(x.first, s.speed.first), min(x.first+len(x.x), s.speed.first+len(s.speed.x))
	if x.dt != s.speed.dt || to-from < least {
		return nil, 0, false
	}
	if s.angle == nil {
		s.turn()
	}
	before := s.speed.first + len(s.speed.x) - len(s.angle)
	if from = max(from, before); to-from < least {
		return nil, 0, false
	}
	angle := s.angle[from-before : to-before]
	perRev = 1 / (s.high * x.dt)
	n := min(int((angle[len(angle)-1]-angle[0])*perRev), len(angle))
	if n < least {
		return nil, 0, false
	}
	if s.from != from || s.to != to {
		s.from, s.to, s.places = from, to, placesOf(angle, perRev, n)
	}
	y, weights := x.x[from-x.first:to-x.first], kernel()
	out = make([]float64, n)
	for k, p := range s.places {
		out[k] = weights.at(y, p)
	}
	return out, perRev, true
}

// place lies between sample i and the next, part of the way, in steps of 1/places.
type place struct{ i, part int32 }

// placesOf is where n even steps of the angle lie.
func placesOf(angle []float64, perRev float64, n int) []place {
	out, i := make([]place, n), 0
	for k := range out {
		want := angle[0] + float64(k)/perRev
		for i < len(angle)-2 && angle[i+1] <= want {
			i++
		}
		part := (want - angle[i]) / (angle[i+1] - angle[i])
		if !(part > 0) { // also where the angle doesn't move
			part = 0
		}
		out[k] = place{int32(i), int32(min(1, part)*places + 0.5)}
	}
	return out
}

// turn averages the speed over a hundredth of a second and integrates it to the
// shaft's angle at every sample.
func (s *shaft) turn() {
	x, dt := s.speed.x[max(0, len(s.speed.x)-mostTurned):], s.speed.dt
	speed := smooth(x, max(1, int(0.01/dt))|1, 1)
	s.angle = make([]float64, len(speed))
	for i := 1; i < len(speed); i++ {
		step := math.Abs(speed[i-1]+speed[i]) / 2 * s.perUnit * dt
		if step < 0.5*s.low*dt { // a drop-out: the shaft can't have stopped
			step = s.low * dt
		}
		s.angle[i] = s.angle[i-1] + step
	}
}

// Interpolation by a sinc of so many samples under a Hann window, at so many
// places between two samples: below 0.35 of the sample rate its images, which
// would be orders that aren't there, are some thousandths.
const (
	taps    = 16
	places  = 1024
	highest = 0.35
)

type sinc [places + 1][taps]float64

var kernel = sync.OnceValue(func() *sinc {
	var k sinc
	for p := range k {
		sum := 0.0
		for i := range taps {
			x := float64(i-taps/2+1) - float64(p)/places // from the place to the sample
			w := math.Cos(math.Pi * x / (taps + 1))
			k[p][i] = w * w
			if x != 0 {
				k[p][i] *= math.Sin(math.Pi*x) / (math.Pi * x)
			}
			sum += k[p][i]
		}
		for i := range taps {
			k[p][i] /= sum
		}
	}
	return &k
})

// at interpolates.
func (k *sinc) at(y []float64, p place) (v float64) {
	weights := &k[p.part]
	first := int(p.i) - taps/2 + 1
	if first < 0 || first+taps > len(y) {
		for k, w := range weights {
			v += w * y[max(0, min(len(y)-1, first+k))]
		}
		return v
	}
	near := (*[taps]float64)(y[first:])
	var odd float64 // two sums run side by side
	for k := 0; k < taps; k += 2 {
		v += weights[k] * near[k]
		odd += weights[k+1] * near[k+1]
	}
	return v + odd
}

// smooth is the moving average over w samples, w odd, at every stride-th sample.
func smooth(v []float64, w, stride int) []float64 {
	out, half, sum := make([]float64, 0, len(v)/stride+1), w/2, 0.0
	low, high := 0, 0
	for i := 0; i < len(v); i += stride {
		for ; high < len(v) && high <= i+half; high++ {
			sum += v[high]
		}
		for ; low < i-half; low++ {
			sum -= v[low]
		}
		out = append(out, sum/float64(high-low))
	}
	return out
}
