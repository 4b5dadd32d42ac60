package vibration_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"faultkeep/daemon/analysis/spectrum"
	"faultkeep/daemon/analysis/vibration"
	"faultkeep/store/capture"
)

// machine is a capture of speed (rpm) and current (A), each of time in seconds.
func machine(n int, dt float64, speed, current func(t float64) float64) (capture.Capture, []capture.Series) {
	c := capture.Capture{Timing: capture.Timing{Samples: n, Interval: dt}, Channels: []capture.Channel{
		{Name: "speed", Unit: "rpm", Role: capture.RoleSpeed}, {Name: "current", Unit: "A", Role: capture.RoleCurrent}}}
	series := []capture.Series{make(capture.Series, n), make(capture.Series, n)}
	for i := range n {
		series[0][i], series[1][i] = speed(float64(i)*dt), current(float64(i)*dt)
	}
	return c, series
}

func noise(seed uint64, sigma float64) func(float64) float64 {
	dice := rand.New(rand.NewPCG(seed, 0x71b))
	return func(float64) float64 { return sigma * dice.NormFloat64() }
}

func constant(v float64) func(float64) float64 { return func(float64) float64 { return v } }

func sine(amplitude, hz float64) func(float64) float64 {
	return func(t float64) float64 { return amplitude * math.Sin(2*math.Pi*hz*t+.7) }
}

func sum(parts ...func(float64) float64) func(float64) float64 {
	return func(t float64) (v float64) {
		for _, p := range parts {
			v += p(t)
		}
		return v
	}
}

func texts(findings []capture.Finding) string {
	var b strings.Builder
	for _, f := range findings {
		fmt.Fprintf(&b, "\n[%s/%s] %s %v", f.Kind, f.Name, f.Text, f.For)
	}
	return b.String()
}

// at gives the finding of that kind whose quantity of that name is near want.
func at(t *testing.T, findings []capture.Finding, kind capture.FindingKind, quantity string, want, tolerance float64) capture.Finding {
	t.Helper()
	for _, f := range findings {
		for _, q := range f.Values {
			if f.Kind == kind && q.Name == quantity && math.Abs(q.Value-want) <= math.Max(tolerance, q.PlusMinus) && q.PlusMinus <= .05*want {
				return f
			}
		}
	}
	t.Errorf("no %s with %s %g in %s", kind, quantity, want, texts(findings))
	return capture.Finding{}
}

func amplitude(t *testing.T, f capture.Finding, channel string, want float64) {
	t.Helper()
	for _, q := range f.Values {
		if q.Name == "amplitude of "+channel {
			if math.Abs(q.Value-want) > math.Max(q.PlusMinus, .01*want) {
				t.Errorf("amplitude of %s %g ±%g, want %g", channel, q.Value, q.PlusMinus, want)
			}
			return
		}
	}
	t.Errorf("no amplitude of %s in %q", channel, f.Text)
}

// 1485 rpm is 24.75 Hz: once per revolution 24.75, twice 49.5 (not the line's
// 50), and 100 Hz is twice a line of 50 Hz and no multiple of 60.
func TestOrdersAndLineFrequency(t *testing.T) {
	findings := vibration.Find(machine(8192, .001, sum(constant(1485), noise(1, .5), sine(2, 24.75)),
		sum(constant(12), noise(2, .1), sine(.5, 24.75), sine(.3, 49.5), sine(.4, 100), sine(.2, 137.3))))
	once := at(t, findings, capture.FindingVibration, "frequency", 24.75, .02)
	amplitude(t, once, "speed", 2)
	amplitude(t, once, "current", .5)
	if once.Name != "order" || !strings.Contains(once.Text, "1 × shaft speed") || len(once.For) == 0 || !strings.Contains(once.For[0], "unbalance") {
		t.Errorf("%s %v", once.Text, once.For)
	}
	if twice := at(t, findings, capture.FindingVibration, "frequency", 49.5, .02); twice.Name != "order" || strings.Contains(twice.Text, "line frequency") {
		t.Error(twice.Text)
	}
	if line := at(t, findings, capture.FindingVibration, "frequency", 100, .02); line.Name != "line" || !strings.Contains(line.Text, "2 × a line frequency of 50 Hz") {
		t.Error(line.Text)
	}
	if other := at(t, findings, capture.FindingVibration, "frequency", 137.3, .02); other.Name != "peak" {
		t.Error(other.Text)
	}
}

// 300 Hz is six times 50 and five times 60: which one is told only where other
// multiples decide it.
func TestWhichLineFrequency(t *testing.T) {
	for want, also := range map[string]float64{"6 × a line frequency of 50 Hz or 5 × a line frequency of 60 Hz": 0,
		"fits 6 × a line frequency of 50 Hz.": 100, "fits 5 × a line frequency of 60 Hz.": 120} {
		parts := []func(float64) float64{constant(560), noise(3, .3), sine(2, 300)}
		if also > 0 {
			parts = append(parts, sine(1, also))
		}
		c, series := machine(8192, .001, sum(constant(911), noise(4, .5)), sum(parts...))
		if f := at(t, vibration.Find(c, series), capture.FindingVibration, "frequency", 300, .02); !strings.Contains(f.Text, want) {
			t.Errorf("%q lacks %q", f.Text, want)
		}
	}
}

// The ripple of a three-phase bridge is told as far as it goes: 900 Hz is 18
// times 50, 15 times 60. Other multiples so high are chance: 850 Hz is none.
func TestRippleOfABridge(t *testing.T) {
	findings := vibration.Find(machine(16384, .0004, sum(constant(911), noise(4, .5)), sum(constant(560), noise(3, .3), sine(2, 900), sine(1, 850))))
	if f := at(t, findings, capture.FindingVibration, "frequency", 900, .02); !strings.Contains(f.Text, "fits 18 × a line frequency of 50 Hz.") {
		t.Error(f.Text)
	}
	if f := at(t, findings, capture.FindingVibration, "frequency", 850, .02); f.Name != "peak" {
		t.Error(f.Text)
	}
}

// The ripple goes with the load, which is no growth of an oscillation; neither is
// it where 1,200 Hz fold down to 800 because only 2,000 samples a second were taken.
func TestRippleDoesNotGrow(t *testing.T) {
	for ripple, grows := range map[float64]bool{300: false, 1200: false, 313: true} {
		findings := vibration.Find(machine(8192, .0005, sum(constant(911), noise(4, .5)), sum(constant(560), noise(3, .1), func(t float64) float64 {
			return (1 + t) * math.Cos(2*math.Pi*ripple*t)
		})))
		if got := strings.Contains(texts(findings), "[growth/growing]"); got != grows {
			t.Errorf("%g Hz: %s", ripple, texts(findings))
		}
	}
}

// A shaft that runs up from 600 to 1500 rpm: what follows it is found over its
// angle, what doesn't over time.
func TestOrdersWhileTheSpeedChanges(t *testing.T) {
	const n, dt = 16384, .0005
	length := n * dt
	speed := func(t float64) float64 { return 600 + 900*t/length }
	angle := func(t float64) float64 { return 2 * math.Pi / 60 * (600*t + 450*t*t/length) }
	findings := vibration.Find(machine(n, dt, sum(speed, noise(5, 1)), sum(constant(20), noise(6, .3), sine(.4, 71.3),
		func(t float64) float64 { return .5 * math.Cos(angle(t)) }, func(t float64) float64 { return .6 * math.Cos(3*angle(t)+1) })))
	for order, size := range map[float64]float64{1: .5, 3: .6} {
		f := at(t, findings, capture.FindingVibration, "order", order, .01)
		amplitude(t, f, "current", size)
		if f.Name != "order" || !strings.Contains(f.Text, "as the speed changes") {
			t.Error(f.Text)
		}
	}
	fixed := at(t, findings, capture.FindingVibration, "frequency", 71.3, .05)
	amplitude(t, fixed, "current", .4)
	if fixed.Name != "peak" || len(fixed.Against) == 0 {
		t.Errorf("%s %v", fixed.Text, fixed.Against)
	}
	if n := strings.Count(texts(findings), "[vibration/"); n != 3 {
		t.Errorf("%d oscillations told, want 3: %s", n, texts(findings))
	}
}

// A motor and a load on a shaft: resonance (1/2π)√(k(1/JM+1/JL)) = 26.5258 Hz
// (computed with SciPy 1.10.1; JM .002, JL .018 kg·m², k 50 N·m/rad). Driven by
// torque noise, the motor's speed shows it: to 0.5 % where it is lightly damped,
// and still where it is ten lines broad.
func TestTwoMassResonance(t *testing.T) {
	const n, dt = 16384, .001
	for friction, tolerance := range map[float64]float64{.001: .005 * 26.5258, .02: 1} {
		speed := twoMasses(n, friction)
		findings := vibration.Find(machine(n, dt, func(t float64) float64 { return speed[int(math.Round(t/dt))] }, constant(3)))
		found := false
		for _, f := range findings {
			found = found || f.Kind == capture.FindingVibration && f.Values[0].Name == "frequency" && math.Abs(f.Values[0].Value-26.5258) <= tolerance
		}
		if !found {
			t.Errorf("friction %g: no resonance at 26.5258 Hz: %s", friction, texts(findings))
		}
	}
}

// twoMasses is the motor's speed in rpm, a sample a millisecond.
func twoMasses(n int, friction float64) []float64 {
	const jm, jl, k, dt, fine = .002, .018, 50.0, .001, 20
	dice := rand.New(rand.NewPCG(7, 7))
	speed := make([]float64, n)
	var wm, wl, twist float64
	for i := range n {
		drive := 2 * dice.NormFloat64()
		for range fine {
			h := dt / fine
			wm += h * (drive - k*twist - friction*wm) / jm
			wl += h * (k*twist - friction*wl) / jl
			twist += h * (wm - wl)
		}
		speed[i] = 900 + wm*60/(2*math.Pi)
	}
	return speed
}

// Where the load swings against the drive's torque the motor's speed hardly
// moves: antiresonance (1/2π)√(k/JL) = 8.38820 Hz (computed with SciPy 1.10.1),
// a valley in the spectrum of the machine above.
func TestTwoMassAntiresonance(t *testing.T) {
	s, err := spectrum.Welch(twoMasses(1<<17, .001), 1000, spectrum.Options{Size: 8192})
	if err != nil {
		t.Fatal(err)
	}
	lowest := int(5 / s.Step)
	for k := lowest; s.Frequency(k) < 15; k++ {
		if s.Density[k] < s.Density[lowest] {
			lowest = k
		}
	}
	if f := s.Frequency(lowest); math.Abs(f-8.38820) > 2*s.Step {
		t.Errorf("valley at %g Hz", f)
	}
}

func only(t *testing.T, findings []capture.Finding, kind capture.FindingKind) (found capture.Finding) {
	t.Helper()
	n := 0
	for _, f := range findings {
		if f.Kind == kind {
			found = f
			n++
		}
	}
	if n != 1 {
		t.Fatalf("%d findings of kind %s in %s", n, kind, texts(findings))
	}
	return found
}

// Noise has no oscillations: at most 3 captures of 100 may show one, be the
// noise white, through a low pass, or a random walk.
func TestNoiseDoesNotVibrate(t *testing.T) {
	for name, feedback := range map[string]float64{"white": 0, "low pass": .95, "random walk": 1} {
		for _, n := range []int{512, 2000, 8192} {
			seeds, wrong := 100, 0
			if n > 5000 {
				seeds = 67
			}
			for seed := range uint64(seeds) {
				y, white := 0.0, noise(seed+1000, .1)
				findings := vibration.Find(machine(n, .001, sum(constant(1500), noise(seed, 1)), func(t float64) float64 {
					y = feedback*y + white(t)
					return 10 + y
				}))
				if len(findings) != 1 || findings[0].Name != "none" {
					wrong++
				}
			}
			if wrong > seeds*3/100 {
				t.Errorf("%s, %d samples: oscillations in %d of %d", name, n, wrong, seeds)
			}
		}
	}
}

// Over captures at five speeds 26.5 Hz stays put, once per revolution follows,
// and 100 Hz is the supply's.
func TestAcrossSpeeds(t *testing.T) {
	var all, same []vibration.Tones
	for i, rpm := range []float64{900, 1050, 1180, 1320, 1485} {
		take := func(rpm float64) vibration.Tones {
			c, series := machine(8192, .001, sum(constant(rpm), noise(uint64(i), .5), sine(3, rpm/60)),
				sum(constant(12), noise(uint64(i+50), .1), sine(.4, 26.5), sine(.5, rpm/60), sine(.4, 100)))
			return vibration.Look(c, series)
		}
		all, same = append(all, take(rpm)), append(same, take(1000))
	}
	findings := vibration.Across(all)
	for name, want := range map[string]struct {
		quantity string
		value    float64
	}{"resonance": {"frequency", 26.5}, "forced": {"order", 1}, "line": {"frequency", 100}} {
		found := false
		for _, f := range findings {
			if f.Name == name && f.Channels[0] == "current" && f.Values[0].Name == want.quantity && math.Abs(f.Values[0].Value-want.value) < .005*want.value {
				found = true
			}
		}
		if !found {
			t.Errorf("no %s at %g: %s", name, want.value, texts(findings))
		}
	}
	if len(findings) != 4 { // and the speed follows itself
		t.Errorf("%d findings: %s", len(findings), texts(findings))
	}
	for want, some := range map[string][]vibration.Tones{"nearly the same speed": same, "only 2 of 2": all[:2], "only 0 of 0": nil} {
		if got := texts(vibration.Across(some)); !strings.Contains(got, want) || !strings.Contains(got, "[unable/") {
			t.Errorf("lacks %q: %s", want, got)
		}
	}
	far := []vibration.Tones{{Rev: 10, Tones: []vibration.Tone{{"current", 11, .1}}}, {Rev: 20, Tones: []vibration.Tone{{"current", 37, .1}}}, {Rev: 15, Tones: []vibration.Tone{{"current", 93, .1}}}}
	if got := texts(vibration.Across(far)); !strings.Contains(got, "no oscillation shows in 3 captures") {
		t.Error(got)
	}
}
