package vibration_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"faultkeep/daemon/analysis/vibration"
	"faultkeep/store/capture"
)

// x = e^(σt)·sin(2πft) grows at the rate σ; with damping ζ an oscillation decays
// at ζωn, ζ = σ/√(σ²+ω²): any textbook. Without noise to 0.5 %, with noise
// within what is stated in nine of ten.
func TestGrowth(t *testing.T) {
	const hz, seeds = 6.3, 30
	for _, c := range []struct {
		rate float64
		want string
	}{{.6, vibration.Growing}, {.15, vibration.Growing}, {0, vibration.Stable}, {-.4, vibration.Decaying}} {
		for _, sigma := range []float64{1e-6, .3} {
			outside := 0
			for seed := range uint64(seeds) {
				size := 8.0
				if c.rate > 0 {
					size = 8 * math.Exp(-c.rate*8)
				}
				findings := vibration.Find(machine(8192, .001, sum(constant(1500), noise(seed, sigma), func(t float64) float64 {
					return size * math.Exp(c.rate*t) * math.Sin(2*math.Pi*hz*t)
				}), constant(1)))
				f := only(t, findings, capture.FindingGrowth)
				got := f.Values[1]
				if f.Name != c.want || got.Name != "growth rate" {
					t.Fatalf("rate %g, noise %g: %s", c.rate, sigma, texts(findings))
				}
				if sigma < .01 && math.Abs(got.Value-c.rate) > .005*math.Abs(c.rate)+.001 {
					t.Errorf("rate %g ±%g, want %g", got.Value, got.PlusMinus, c.rate)
				}
				if math.Abs(got.Value-c.rate) > got.PlusMinus+.005*math.Abs(c.rate) {
					outside++
				}
				if zeta := .4 / math.Hypot(.4, 2*math.Pi*hz); c.want == vibration.Decaying {
					if q := f.Values[len(f.Values)-1]; q.Name != "damping ratio" || math.Abs(q.Value-zeta) > 2*q.PlusMinus+.005*zeta {
						t.Errorf("%+v, want ζ %g", q, zeta)
					}
				}
			}
			if outside > seeds/10 {
				t.Errorf("rate %g, noise %g: %d of %d outside what is stated", c.rate, sigma, outside, seeds)
			}
		}
	}
}

// An oscillation that swells in the last second before a trip: a spectrum of
// the whole record hardly notices, its turning points do. Growth as it was made.
func TestSwellsBeforeATrip(t *testing.T) {
	const rate, hz, end = 2.5, 3.1, 8.192
	for _, sigma := range []float64{.01, .5} {
		c, series := machine(8192, .001, sum(constant(1500), noise(4, sigma), func(t float64) float64 {
			return 60 * math.Exp(rate*(t-end)) * math.Sin(2*math.Pi*hz*t)
		}), sum(constant(12), noise(5, .1)))
		c.Trigger.Index, c.Fault.Code = 8191, 0x8611
		var f capture.Finding
		for _, g := range vibration.Find(c, series) {
			if g.Kind == capture.FindingGrowth {
				f = g
			}
		}
		if f.Name != vibration.Growing || f.Channels[0] != "speed" || !strings.Contains(f.Text, "until the trip") {
			t.Fatalf("noise %g: %s", sigma, texts(vibration.Find(c, series)))
		}
		for name, want := range map[string]float64{"frequency": hz, "growth rate": rate} {
			for _, q := range f.Values {
				if q.Name == name && (math.Abs(q.Value-want) > q.PlusMinus+.01*want || q.PlusMinus > .3*want) {
					t.Errorf("noise %g: %s %g ±%g, want %g", sigma, name, q.Value, q.PlusMinus, want)
				}
			}
		}
	}
}

// Any rate, frequency and phase, and however much of a last swing is there when
// the machine trips: rate and frequency are within what is stated in nine of
// ten, of an exponential swing in noise.
func TestSwellingIsMeasured(t *testing.T) {
	const n, dt, runs = 4096, .002, 40
	dice := rand.New(rand.NewPCG(3, 9))
	found, rates, frequencies := 0, 0, 0
	for seed := range uint64(runs) {
		hz, phase := 1+3*dice.Float64(), 7*dice.Float64()
		rate := hz * (.4 + .6*dice.Float64()) // grows to 1.2 to 1.6 times in half a period
		c, series := machine(n, dt, sum(constant(900), noise(seed, 1), func(t float64) float64 {
			return 80 * math.Exp(rate*(t-n*dt)) * math.Sin(2*math.Pi*hz*t+phase)
		}), constant(3))
		c.Channels = append(c.Channels, capture.Channel{Name: "setpoint", Unit: "rpm", Role: capture.RoleSetpoint})
		c.Trigger.Index, c.Fault.Code = n-1, 0x8611
		series = append(series, make(capture.Series, n))
		for i := range n {
			series[2][i] = 900
		}
		for _, f := range vibration.Find(c, series) {
			if f.Name != vibration.Growing {
				continue
			}
			found++
			if q := f.Values[0]; math.Abs(q.Value-hz) <= q.PlusMinus+.005*hz {
				frequencies++
			}
			if q := f.Values[1]; math.Abs(q.Value-rate) <= q.PlusMinus+.005*rate && q.PlusMinus < .5*rate {
				rates++
			}
		}
	}
	if found < runs*9/10 || rates < found*9/10 || frequencies < found*9/10 {
		t.Errorf("%d of %d found, rate within what is stated in %d, frequency in %d", found, runs, rates, frequencies)
	}
	t.Logf("%d of %d found, rate within what is stated in %d, frequency in %d", found, runs, rates, frequencies)
}
