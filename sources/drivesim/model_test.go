package drivesim

import (
	"math"
	"testing"
)

// gain measures how much the motor's speed answers to a small torque of f Hz,
// with the motor's own torque off, in rad/s per N·m.
func gain(m Machine, f float64) float64 {
	const h = 100e-6
	s, in := state{}, inputs{gain: 1, encoder: 1, supply: 1, limit: 1, off: true}
	periods := math.Ceil(3 * f)
	until := (periods + 20) / f
	var re, im, n float64
	for t := 0.0; t < until; t += h {
		in.inject = math.Sin(2 * math.Pi * f * t)
		s = m.step(s, in, h)
		if t > periods/f { // settled: correlate over whole periods
			re += s.motor * math.Sin(2*math.Pi*f*t)
			im += s.motor * math.Cos(2*math.Pi*f*t)
			n++
		}
	}
	return 2 * math.Hypot(re, im) / n
}

// Two masses: f_antires = √(k/JL)/2π, f_res = √(k(1/JM+1/JL))/2π; for JM=.002,
// JL=.018, k=50 they are 8.38820 and 26.5258 Hz (textbook formula, computed
// values in the project's list of check values).
func TestTwoMassResonance(t *testing.T) {
	m := Machine{MotorInertia: 0.002, LoadInertia: 0.018, Stiffness: 50, Damping: 0.01, TorqueLag: 0.001, Viscous: 0.005}
	peak := func(near float64, sign float64) float64 {
		best, at := math.Inf(-1), 0.0
		for f := near * 0.97; f <= near*1.03; f += near * 0.0025 {
			if g := sign * gain(m, f); g > best {
				best, at = g, f
			}
		}
		return at
	}
	if f := peak(8.38820, -1); math.Abs(f/8.38820-1) > 0.004 {
		t.Errorf("antiresonance at %.3f Hz, want 8.388", f)
	}
	if f := peak(26.5258, 1); math.Abs(f/26.5258-1) > 0.004 {
		t.Errorf("resonance at %.3f Hz, want 26.526", f)
	}
}

// Free oscillation of the undamped shaft, counted by zero crossings, is at the
// resonance frequency of the formula.
func TestFreeOscillation(t *testing.T) {
	m := Machine{MotorInertia: 0.002, LoadInertia: 0.018, Stiffness: 50, TorqueLag: 0.001}
	const h = 20e-6
	s := state{twist: 0.01}
	in := inputs{gain: 1, encoder: 1, supply: 1, off: true}
	first, last, crossings := 0.0, 0.0, 0
	for t := 0.0; t < 2; t += h {
		before := s.twist
		s = m.step(s, in, h)
		if before < 0 && s.twist >= 0 {
			last = t + h*before/(before-s.twist)
			if crossings == 0 {
				first = last
			}
			crossings++
		}
	}
	if f := float64(crossings-1) / (last - first); math.Abs(f-26.5258) > 0.001 {
		t.Errorf("free oscillation at %.4f Hz, want 26.5258", f)
	}
}

// figures of a step response sampled every dt: overshoot in %, time of the
// peak, rise time 10–90 %, settling within 2 and 5 % from the step.
func figures(y []float64, dt float64) (mp, tp, tr, ts2, ts5 float64) {
	peak, t10, t90 := 0.0, -1.0, -1.0
	cross := func(i int, level float64) float64 { return dt * (float64(i-1) + (level-y[i-1])/(y[i]-y[i-1])) }
	for i, v := range y {
		if v > peak {
			peak, tp = v, float64(i)*dt
		}
		if v >= 0.1 && t10 < 0 {
			t10 = cross(i, 0.1)
		}
		if v >= 0.9 && t90 < 0 {
			t90 = cross(i, 0.9)
		}
		if math.Abs(v-1) > 0.02 {
			ts2 = float64(i+1) * dt
		}
		if math.Abs(v-1) > 0.05 {
			ts5 = float64(i+1) * dt
		}
	}
	return 100 * (peak - 1), tp, t90 - t10, ts2, ts5
}

// PI speed loop on 1/((Js+B)(Te·s+1)): reference values computed with scipy
// 1.10.1, those of case A also with Octave.
func TestSpeedLoopResponse(t *testing.T) {
	for _, c := range []struct {
		name                  string
		b, te, kp, ki         float64
		mp, tp, tr, ts2, ts5  float64
		at5ms, at10ms, at20ms float64
	}{
		{"A", 0.02, 0.001, 1, 20, 10.8791, 40.875, 14.2883, 119.411, 83.560, 0.362608, 0.674800, 0.983778},
		{"B", 0.02, 0.002, 2, 200, 36.5442, 14.0355, 5.1959, 40.085, 26.142, 0, 0, 0},
		{"symmetric optimum", 0, 0.002, 2.5, 2.5 / 0.008, 43.4104, 11.545, 4.2270, 33.101, 0, 0, 0, 0},
	} {
		m := Machine{LoadInertia: 0.01, Viscous: c.b, TorqueLag: c.te, Kp: c.kp, Ki: c.ki, TorqueLimit: 1e9}
		const dt = 50e-6
		y := m.Response(1, dt, 8000)
		mp, tp, tr, ts2, ts5 := figures(y, dt)
		near := func(what string, got, want, room float64) {
			if want != 0 && math.Abs(got-want) > room {
				t.Errorf("%s: %s %.5g, want %.5g", c.name, what, got, want)
			}
		}
		near("overshoot in %", mp, c.mp, 0.002)
		near("time of the peak in ms", 1000*tp, c.tp, 0.06) // a flat crest: one sample
		near("rise time in ms", 1000*tr, c.tr, 0.002)
		near("settling within 2 % in ms", 1000*ts2, c.ts2, 0.06)
		near("settling within 5 % in ms", 1000*ts5, c.ts5, 0.06)
		near("speed after 5 ms", y[100], c.at5ms, 2e-6)
		near("speed after 10 ms", y[200], c.at10ms, 2e-6)
		near("speed after 20 ms", y[400], c.at20ms, 2e-6)
	}
}

// The integral gives way at the torque limit: with the limit far below what the
// step asks for, the overshoot stays near that of the unlimited loop.
func TestAntiWindup(t *testing.T) {
	m := Machine{LoadInertia: 0.01, Viscous: 0.02, TorqueLag: 0.001, Kp: 1, Ki: 20, TorqueLimit: 0.1}
	y := m.Response(1, 1e-3, 2000)
	mp, _, tr, _, _ := figures(y, 1e-3)
	if tr < 0.05 {
		t.Errorf("rise in %.3f s: the torque limit doesn't bite", tr)
	}
	if mp > 12 {
		t.Errorf("overshoot %.1f %%, the integral winds up", mp)
	}
}

// A three-phase bridge without load charges to the line's crest √2·400 V =
// 565.7 V, and its output never falls below cos 30° of it; with one phase
// missing it falls to zero and repeats with twice the line frequency.
func TestBridge(t *testing.T) {
	m := base(Machine{Speed: 1500, TorqueLimit: 100})
	low, high := math.Inf(1), 0.0
	for i := range 4000 {
		v := m.bridge(float64(i)*10e-6-0.01, mains{level: 1, phase: 0.3})
		low, high = min(low, v), max(high, v)
	}
	if math.Abs(high-565.685) > 0.1 || math.Abs(low-565.685*math.Cos(math.Pi/6)) > 0.3 {
		t.Errorf("bridge between %.2f and %.2f V, want 489.9 and 565.7", low, high)
	}
	lost := mains{level: 1, lost: true}
	for _, at := range []float64{0, 0.01, 0.02} {
		if v := m.bridge(at, lost); v > 1e-6 {
			t.Errorf("single phase at %v s: %.3f V, want 0", at, v)
		}
	}
	if v := m.bridge(0.005, lost); math.Abs(v-565.685) > 0.1 {
		t.Errorf("single phase crest %.2f V", v)
	}
}

// Without its supply the DC link gives its energy ½C(V1²−V2²) to the load.
func TestLinkEnergy(t *testing.T) {
	m := base(Machine{Speed: 1500, TorqueLimit: 100})
	m.Capacitance = 2e-3
	v, at := 565.0, 0.0
	for ; v > 400; at += 10e-6 {
		v = m.link(v, 0, 10e3, 10e-6)
	}
	want := 0.5 * m.Capacitance * (565*565 - 400*400) / 10e3
	if math.Abs(at/want-1) > 0.002 {
		t.Errorf("from 565 to 400 V at 10 kW in %.3f ms, want %.3f", 1000*at, 1000*want)
	}
}
