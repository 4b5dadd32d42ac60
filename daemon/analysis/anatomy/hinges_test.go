package anatomy

import (
	"math"
	"math/rand/v2"
	"testing"

	"faultkeep/store/capture"
)

// The sums that pairs of hinges are judged by are those of ordinary least squares,
// here solved vector by vector.
func TestHingesAreLeastSquares(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 14))
	n := 400
	set, m := make(capture.Series, n), make(capture.Series, n)
	for i := range n {
		set[i] = 100 + math.Max(0, float64(i-150))
		m[i] = 20 + 0.1*set[i] + math.Min(50, math.Max(0, float64(i-300))) + rng.NormFloat64()
	}
	for i := 100; i < 106; i++ { // a few blocks are missing
		m[i] = math.NaN()
	}
	c := capture.Capture{Trigger: capture.Trigger{Index: n}, Timing: capture.Timing{Interval: 0.002, Samples: n}, Channels: []capture.Channel{
		{Name: "speed setpoint", Role: capture.RoleSetpoint, Unit: "rpm"}, {Name: "torque", Role: capture.RoleTorque, Unit: "N·m"}}}
	r, _ := newRecord(c, []capture.Series{set, m})
	s := r.study()
	h := s.hingesOf(s.tracks[0])
	rows := len(h.course[0])
	at := func(b int) []float64 {
		v := append(h.hinge(b), make([]float64, rows-len(h.at))...)
		for i, w := range h.weight {
			v[i] *= w
		}
		return v
	}
	left := make([]float64, rows)
	for i, w := range h.weight {
		if w > 0 {
			left[i] = s.tracks[0].blocks[i]
		}
	}
	h.course.clear(left)
	from, turn, share := h.best(20)
	one, two := at(from), at(turn)
	h.course.clear(one)
	h.course.clear(two)
	for _, x := range []struct {
		what      string
		got, want float64
	}{{"product", h.product(from, turn), dot(one, two)}, {"square", h.product(from, from), dot(one, one)}, {"with what is left", h.along[from], dot(one, left)}} {
		if math.Abs(x.got-x.want) > 1e-9*math.Max(1, math.Abs(x.want)) {
			t.Errorf("%s: %v, want %v", x.what, x.got, x.want)
		}
	}
	k := dot(one, two) / dot(one, one)
	for i := range two {
		two[i] -= k * one[i]
	}
	gain := (dot(one, left)*dot(one, left)/dot(one, one) + dot(two, left)*dot(two, left)/dot(two, two)) / dot(left, left)
	if math.Abs(share-gain) > 1e-9 {
		t.Errorf("share %v, want %v", share, gain)
	}
	if math.Abs(h.at[from]-r.at(300)) > 0.01 || math.Abs(h.at[turn]-r.at(350)) > 0.01 {
		t.Errorf("a load that grows from %.3f to %.3f s is seen from %.3f to %.3f s", r.at(300), r.at(350), h.at[from], h.at[turn])
	}
}

// I² = a + b·T² for a motor whose flux is kept: with 10 A to magnetise it and
// 4 N·m/A, 40 N·m take √(10² + 10²) A.
func TestStator(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	n := 1000
	m, i := make(capture.Series, n), make(capture.Series, n)
	for k := range n {
		m[k] = 60 * math.Sin(float64(k)/70)
		i[k] = math.Hypot(10, m[k]/4) + 0.05*rng.NormFloat64()
	}
	c := capture.Capture{Trigger: capture.Trigger{Index: n}, Timing: capture.Timing{Interval: 0.001, Samples: n}, Channels: []capture.Channel{
		{Name: "torque", Role: capture.RoleTorque, Unit: "N·m"}, {Name: "output current", Role: capture.RoleCurrent, Unit: "A"}}}
	of := func(series ...capture.Series) *stator {
		r, _ := newRecord(c, series)
		s := r.study()
		return s.statorOf(s.tracks[1])
	}
	if s := of(m, i); s == nil || math.Abs(s.current(40)-math.Hypot(10, 10)) > 0.05 || math.Abs(s.current(0)-10) > 0.05 {
		t.Errorf("%+v", s)
	}
	for k := range n { // a current that goes with the torque in a small part only
		i[k] = 10 + m[k]*m[k]/900 + 3*math.Sin(float64(k)/31)
	}
	if s := of(m, i); s != nil {
		t.Errorf("%+v", s)
	}
}
