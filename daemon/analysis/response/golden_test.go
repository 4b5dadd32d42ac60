package response_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"faultkeep/daemon/analysis/response"
	"faultkeep/store/capture"
)

// record is a capture with a setpoint and an actual value: the setpoint goes
// from 0 to 1 at a sample, answer is the actual value after that many seconds.
func record(dt, before, after float64, answer func(t float64) float64) (capture.Capture, []capture.Series) {
	lead := int(math.Round(before / dt))
	n := lead + int(math.Round(after/dt)) + 1
	set, act := make(capture.Series, n), make(capture.Series, n)
	for i := lead; i < n; i++ {
		set[i], act[i] = 1, answer(float64(i-lead)*dt)
	}
	c := capture.Capture{Timing: capture.Timing{Samples: n, Interval: dt}, Channels: []capture.Channel{
		{Name: "speed setpoint", Unit: "rpm", Role: capture.RoleSetpoint}, {Name: "speed", Unit: "rpm", Role: capture.RoleSpeed}}}
	return c, []capture.Series{set, act}
}

func only(t *testing.T, findings []capture.Finding, kind capture.FindingKind) capture.Finding {
	t.Helper()
	var found []capture.Finding
	for _, f := range findings {
		if f.Kind == kind {
			found = append(found, f)
		}
	}
	if len(found) != 1 {
		t.Fatalf("%d findings of kind %s in %s", len(found), kind, texts(findings))
	}
	return found[0]
}

func texts(findings []capture.Finding) string {
	var b strings.Builder
	for _, f := range findings {
		fmt.Fprintf(&b, "\n[%s/%s] %s", f.Kind, f.Name, f.Text)
	}
	return b.String()
}

func value(t *testing.T, f capture.Finding, name string) capture.Quantity {
	t.Helper()
	for _, q := range f.Values {
		if q.Name == name {
			return q
		}
	}
	t.Errorf("no %q in %q", name, f.Text)
	return capture.Quantity{Value: math.NaN()}
}

// secondOrder is ωn²/(s²+2ζωn·s+ωn²) answering to a unit step.
func secondOrder(zeta, wn float64) func(t float64) float64 {
	root := math.Sqrt(1 - zeta*zeta)
	return func(t float64) float64 {
		return 1 - math.Exp(-zeta*wn*t)*(math.Cos(wn*root*t)+zeta/root*math.Sin(wn*root*t))
	}
}

// golden is what an answer must measure as; 0 is not checked.
type golden struct {
	name                                    string
	answer                                  func(t float64) float64
	tr, tp, over, ts2, ts5, decrement, zeta float64
	fn                                      float64 // Hz
	length                                  float64 // seconds that the answer takes to die away
}

// goldens are values from outside. The second-order table, the PI loops, the
// symmetric and the modulus optimum were computed with SciPy 1.10.1 from the
// transfer functions beside them (PI loop A with Octave as well). Overshoot,
// peak time and decrement also follow from the formulas of any textbook:
// Mp = e^(−πζ/√(1−ζ²)), tp = π/ωd, δ = 2πζ/√(1−ζ²).
func goldens() (out []golden) {
	// ζ, Mp %, ωn·tp, ωn·tr, ωn·ts(2 %), ωn·ts(5 %), δ
	for _, row := range [][7]float64{
		{.1, 72.9248, 3.15742, 1.10420, 38.3833, 28.9679, .63148},
		{.2, 52.6621, 3.20637, 1.20343, 19.6019, 13.7444, 1.28255},
		{.3, 37.2326, 3.29328, 1.32134, 11.2301, 10.1371, 1.97597},
		{.4, 25.3827, 3.42776, 1.46349, 8.4093, 7.6088, 2.74221},
		{.5, 16.3034, 3.62760, 1.63757, 8.0764, 5.2891, 3.62760},
		{.6, 9.4780, 3.92699, 1.85405, 5.9430, 5.2291, 4.71239},
		{.7, 4.5988, 4.39911, 2.12620, 5.9788, 2.8998, 6.15875},
		{.8, 1.5165, 5.23599, 2.46749, 3.7558, 3.3854, 8.37758},
		{.9, .1524, 7.20731, 2.88296, 4.6996, 4.0143, 12.9732},
	} {
		const wn = 40.0
		out = append(out, golden{name: fmt.Sprintf("second order, ζ=%g", row[0]), answer: secondOrder(row[0], wn), over: row[1],
			tp: row[2] / wn, tr: row[3] / wn, ts2: row[4] / wn, ts5: row[5] / wn, decrement: row[6], zeta: row[0], fn: wn / (2 * math.Pi),
			length: 20 / (row[0] * wn)})
	}
	return append(out,
		// Ogata, Modern Control Engineering (the example's number from memory): ζ=.6, ωn=5. Exact settling by SciPy.
		golden{name: "Ogata", answer: secondOrder(.6, 5), tp: .7854, over: 9.478, ts2: 1.1886, ts5: 1.0458, zeta: .6, length: 7},
		// Nise, Control Systems Engineering (the example's number from memory): 100/(s²+15s+100). Exact values by SciPy.
		golden{name: "Nise", answer: secondOrder(.75, 10), tp: .47496, over: 2.8375, tr: .22875, ts2: .57426, zeta: .75, length: 3},
		golden{name: "PI loop A", answer: piLoop(.01, .02, .001, 1, 20, 0), over: 10.8791, tp: .040875, tr: .0142883, ts2: .119411, ts5: .083560, length: .6},
		golden{name: "PI loop B", answer: piLoop(.01, .02, .002, 2, 200, 0), over: 36.5442, tp: .0140355, tr: .0051959, ts2: .040085, ts5: .026142, length: .2},
		golden{name: "symmetric optimum", answer: piLoop(.01, 0, .002, 2.5, 2.5/.008, 0), over: 43.4104, tp: .011545, tr: .0042270, ts2: .033101, length: .15},
		golden{name: "symmetric optimum, setpoint filter", answer: piLoop(.01, 0, .002, 2.5, 2.5/.008, .008), over: 8.1465, tr: .0091606, ts2: .026550, length: .15},
		// Modulus optimum: 1/(2T²s²+2Ts+1), so ζ=1/√2 and ωn=1/(√2·T).
		golden{name: "modulus optimum", answer: secondOrder(math.Sqrt2/2, 1/(math.Sqrt2*.01)), over: 4.3214, ts2: .084324, zeta: math.Sqrt2 / 2, length: .4},
		golden{name: "first order", answer: func(t float64) float64 { return 1 - math.Exp(-t/.05) }, tr: 2.19722 * .05, ts2: 3.91202 * .05, length: 1.5})
}

// piLoop is the closed speed loop of a PI controller Kp+Ki/s and the plant
// 1/((Js+B)(Te·s+1)), with a filter 1/(Tf·s+1) in the setpoint where tf isn't 0.
// It is integrated by Runge-Kutta in steps of a microsecond: nothing that the
// measuring shares.
func piLoop(j, b, te, kp, ki, tf float64) func(t float64) float64 {
	const h = 1e-6
	type state [4]float64 // speed, torque, integral, filtered setpoint
	slope := func(x state) state {
		set := 1.0
		if tf > 0 {
			set = x[3]
		}
		e := set - x[0]
		d := state{(x[1] - b*x[0]) / j, (kp*e + ki*x[2] - x[1]) / te, e, 0}
		if tf > 0 {
			d[3] = (1 - x[3]) / tf
		}
		return d
	}
	plus := func(x, d state, h float64) state {
		for i := range x {
			x[i] += h * d[i]
		}
		return x
	}
	course, x := []float64{0}, state{}
	return func(t float64) float64 {
		k := int(math.Round(t / h))
		for len(course) <= k {
			k1 := slope(x)
			k2 := slope(plus(x, k1, h/2))
			k3 := slope(plus(x, k2, h/2))
			k4 := slope(plus(x, k3, h))
			for i := range x {
				x[i] += h / 6 * (k1[i] + 2*k2[i] + 2*k3[i] + k4[i])
			}
			course = append(course, x[0])
		}
		return course[k]
	}
}

// The loop that the tests integrate is the one of the reference: values by
// SciPy 1.10.1 and Octave.
func TestPILoopOfTheTests(t *testing.T) {
	a := piLoop(.01, .02, .001, 1, 20, 0)
	for at, want := range map[float64]float64{.005: .362608, .010: .674800, .020: .983778} {
		if got := a(at); math.Abs(got-want) > 1e-6 {
			t.Errorf("y(%g) = %.6f, want %.6f", at, got, want)
		}
	}
}

func (g golden) checks() map[string]float64 {
	return map[string]float64{"rise time": g.tr, "peak time": g.tp, "overshoot": g.over, "settling time 2 %": g.ts2,
		"settling time 5 %": g.ts5, "logarithmic decrement": g.decrement, "damping ratio": g.zeta, "natural frequency": g.fn}
}

func TestFineSamplingMeetsTheGoldenValues(t *testing.T) {
	for _, g := range goldens() {
		t.Run(g.name, func(t *testing.T) {
			dt := math.Max(1e-6, math.Round(g.length/20000*1e6)*1e-6)
			f := only(t, response.Find(record(dt, 200*dt, g.length, g.answer)), capture.FindingStep)
			for name, want := range g.checks() {
				if want == 0 {
					continue
				}
				if got := value(t, f, name).Value; !(math.Abs(got-want) <= .005*want) {
					t.Errorf("%s %.6g, want %.6g (%+.2f %%)\n%s", name, got, want, 100*(got/want-1), f.Text)
				}
			}
		})
	}
}

// Coarse sampling stays within the resolution that is stated.
func TestCoarseSamplingStaysWithinItsResolution(t *testing.T) {
	for _, g := range goldens() {
		rise := g.tr
		if rise == 0 {
			rise = g.length / 15
		}
		for _, per := range []float64{4, 6, 9, 17} {
			dt := math.Round(rise/per*1e6) * 1e-6
			f := only(t, response.Find(record(dt, 30*dt, g.length, g.answer)), capture.FindingStep)
			for name, want := range g.checks() {
				if want == 0 {
					continue
				}
				var got capture.Quantity
				for _, q := range f.Values {
					if q.Name == name {
						got = q
					}
				}
				if got.Name == "" { // too coarse to be had; a rise never is
					if name == "rise time" {
						t.Errorf("%s, %g samples a rise: no rise time in %s", g.name, per, f.Text)
					}
					continue
				}
				if off := math.Abs(got.Value - want); !(off <= got.PlusMinus+.005*want) {
					t.Errorf("%s, %g samples a rise: %s %.5g ±%.2g, want %.5g", g.name, per, name, got.Value, got.PlusMinus, want)
				}
				if (name == "rise time" || name == "peak time") && got.PlusMinus > 2*dt {
					t.Errorf("%s, %g samples a rise: %s %.5g ±%.2g is more than 2 samples of %g", g.name, per, name, got.Value, got.PlusMinus, dt)
				}
			}
		}
	}
}

// PI loop B sampled at 1 kHz: by straight lines between samples its rise becomes
// 5.263 ms instead of 5.1959 (computed with SciPy 1.10.1), which the resolution
// that is stated covers.
func TestRiseBetweenSamples(t *testing.T) {
	f := only(t, response.Find(record(.001, .05, .2, piLoop(.01, .02, .002, 2, 200, 0))), capture.FindingStep)
	rise := value(t, f, "rise time")
	if math.Abs(rise.Value-.005263) > 2e-6 || math.Abs(rise.Value-.0051959) > rise.PlusMinus || rise.PlusMinus > .001+1e-9 {
		t.Errorf("rise %.6g ±%.2g s", rise.Value, rise.PlusMinus)
	}
}
