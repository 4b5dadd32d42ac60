package response_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"faultkeep/daemon/analysis/response"
	"faultkeep/store/capture"
)

// loopOf is a capture of a loop with that setpoint course; the actual value is
// a second-order system's, plus what noise adds.
func loopOf(n int, dt, zeta, wn float64, set func(t float64) float64, noise func(i int) float64) (capture.Capture, []capture.Series) {
	r, y := make(capture.Series, n), make(capture.Series, n)
	const fine = 20
	h := dt / fine
	x, v := set(0), 0.0
	for i := range n {
		t := float64(i) * dt
		r[i], y[i] = set(t), x
		if noise != nil {
			y[i] += noise(i)
		}
		for k := range fine { // midpoint rule; the setpoint holds between samples only where it is a step
			s := set(t + (float64(k)+.5)*h)
			a := wn*wn*(s-x) - 2*zeta*wn*v
			vm, xm := v+h/2*a, x+h/2*v
			x, v = x+h*vm, v+h*(wn*wn*(s-xm)-2*zeta*wn*vm)
		}
	}
	return captureOf(dt, r, y)
}

func captureOf(dt float64, set, act capture.Series) (capture.Capture, []capture.Series) {
	return capture.Capture{Timing: capture.Timing{Samples: len(set), Interval: dt}, Channels: []capture.Channel{
		{Name: "speed setpoint", Unit: "rpm", Role: capture.RoleSetpoint}, {Name: "speed", Unit: "rpm", Role: capture.RoleSpeed}}}, []capture.Series{set, act}
}

func stepAt(at, from, to float64) func(float64) float64 {
	return func(t float64) float64 {
		if t < at-1e-9 {
			return from
		}
		return to
	}
}

// rampBetween goes from one level to another.
func rampBetween(begin, end, from, to float64) func(float64) float64 {
	return func(t float64) float64 {
		return from + (to-from)*math.Min(1, math.Max(0, (t-begin)/(end-begin)))
	}
}

func white(seed uint64, sigma float64) func(int) float64 {
	dice := rand.New(rand.NewPCG(seed, 0x7e57))
	return func(int) float64 { return sigma * dice.NormFloat64() }
}

// The following error of a second-order loop on a ramp is slope · 2ζ/ωn (any
// textbook, from the velocity error constant Kv = ωn/2ζ).
func TestFollowingErrorOnARamp(t *testing.T) {
	const zeta, wn = .7, 50.0
	for _, sigma := range []float64{0, 1} {
		c, series := loopOf(4000, .001, zeta, wn, rampBetween(.5, 2.5, 200, 1200), white(1, sigma))
		f := only(t, response.Find(c, series), capture.FindingRamp)
		for name, want := range map[string]float64{"slope": 500, "lag": 2 * zeta / wn, "following error": 500 * 2 * zeta / wn} {
			got := value(t, f, name)
			if !(math.Abs(got.Value-want) <= got.PlusMinus+.005*want) {
				t.Errorf("noise %g: %s %.5g ±%.2g, want %.5g", sigma, name, got.Value, got.PlusMinus, want)
			}
		}
		largest := value(t, f, "largest deviation")
		_, clean := loopOf(4000, .001, zeta, wn, rampBetween(.5, 2.5, 200, 1200), nil)
		most := 0.0
		for i := range clean[0] {
			most = math.Max(most, math.Abs(clean[0][i]-clean[1][i]))
		}
		if math.Abs(largest.Value-most) > largest.PlusMinus {
			t.Errorf("largest deviation %g ±%g, want %g", largest.Value, largest.PlusMinus, most)
		}
		if lag := value(t, f, "lag"); sigma == 0 && math.Abs(lag.Value-.028) > 1e-4 {
			t.Errorf("lag %.6g s", lag.Value)
		}
		if got := only(t, response.Find(c, series), capture.FindingLoop); got.Name != response.WellDamped {
			t.Errorf("verdict %q: %s", got.Name, got.Text)
		}
	}
}

// A ramp that is much shorter than the rise is as good as a step.
func TestShortRampCountsAsStep(t *testing.T) {
	c, series := loopOf(3000, .001, .5, 20, rampBetween(.5, .51, 0, 100), nil)
	f := only(t, response.Find(c, series), capture.FindingStep)
	if got := value(t, f, "overshoot"); math.Abs(got.Value-16.30) > .1 {
		t.Errorf("overshoot %g", got.Value)
	}
}

// Steady-state error: a loop that settles 3 rpm short.
func TestSteadyStateErrorAndRipple(t *testing.T) {
	noise := white(3, .2)
	c, series := loopOf(4000, .001, .8, 60, stepAt(1, 1000, 1100), func(i int) float64 { return noise(i) - 3 })
	f := only(t, response.Find(c, series), capture.FindingStep)
	if got := value(t, f, "steady-state error"); math.Abs(got.Value-3) > got.PlusMinus+.02 || got.PlusMinus > .1 {
		t.Errorf("steady-state error %g ±%g", got.Value, got.PlusMinus)
	}
	if got := value(t, f, "ripple RMS"); math.Abs(got.Value-math.Hypot(3, .2)) > .02 { // about the setpoint
		t.Errorf("ripple %g", got.Value)
	}
	for name, want := range map[string]float64{"rise time": 2.46749 / 60, "settling time 2 %": 3.7558 / 60} {
		if got := value(t, f, name); math.Abs(got.Value-want) > got.PlusMinus || got.PlusMinus > .35*want {
			t.Errorf("%s %.4g ±%.2g, want %.4g", name, got.Value, got.PlusMinus, want)
		}
	}
}

// Over many seeds, what is measured in noise lies within what is stated for at
// least nineteen in twenty.
func TestNoiseStaysWithinTheStatedResolution(t *testing.T) {
	want := map[string]float64{"rise time": 1.46349 / 40, "peak time": 3.42776 / 40, "overshoot": 25.3827, "settling time 2 %": 8.4093 / 40, "damping ratio": .4}
	outside, all := map[string]int{}, map[string]int{}
	const seeds = 120
	for seed := range uint64(seeds) {
		c, series := loopOf(3000, .0005, .4, 40, stepAt(.3, 500, 600), white(seed, .3))
		for _, q := range only(t, response.Find(c, series), capture.FindingStep).Values {
			if w, ok := want[q.Name]; ok {
				all[q.Name]++
				if math.Abs(q.Value-w) > q.PlusMinus+.005*w {
					outside[q.Name]++
				}
			}
		}
	}
	for name := range want {
		if all[name] < seeds*95/100 || outside[name] > all[name]/20 {
			t.Errorf("%s: %d of %d outside the stated resolution", name, outside[name], all[name])
		}
	}
}

func TestVerdicts(t *testing.T) {
	quiet := func(float64) float64 { return 1500 }
	for name, c := range map[string]struct {
		want    string
		zeta    float64
		wn      float64
		set     func(float64) float64
		noise   func(int) float64
		mention string
	}{
		"damped":              {response.WellDamped, .7, 40, stepAt(1, 1000, 1100), nil, "settled to 2 %"},
		"quarter decay":       {response.Hunting, .15, 40, stepAt(1, 1000, 1100), nil, "less gain"},
		"overshoots":          {response.Overshooting, .35, 40, stepAt(1, 1000, 1100), nil, "overshoots by"},
		"creeps in":           {response.Sluggish, 1.5, 2.5, stepAt(1, 1000, 1100), nil, "more gain"},
		"still":               {response.Steady, .7, 40, quiet, white(5, 1), "without a regular oscillation"},
		"limit cycle":         {response.Hunting, .7, 40, quiet, func(i int) float64 { return 12 * math.Sin(2*math.Pi*2.5*float64(i)*.001) }, "2.5"},
		"limit cycle, noise":  {response.Hunting, .7, 40, quiet, plus(white(9, 6), func(i int) float64 { return 12 * math.Sin(2*math.Pi*2.5*float64(i)*.001) }), "less gain"},
		"fast":                {response.Fast, .7, 40, quiet, plus(white(9, 1), func(i int) float64 { return 8 * math.Sin(2*math.Pi*60*float64(i)*.001) }), "60"},
		"too small to matter": {response.Steady, .7, 40, quiet, func(i int) float64 { return .5 * math.Sin(2*math.Pi*2.5*float64(i)*.001) }, ""},
	} {
		t.Run(name, func(t *testing.T) {
			f := only(t, response.Find(loopOf(8192, .001, c.zeta, c.wn, c.set, c.noise)), capture.FindingLoop)
			if f.Name != c.want || !strings.Contains(f.Text, c.mention) {
				t.Errorf("%s", f.Text)
			}
			if advises := strings.Contains(f.Text, "usually"); advises != strings.Contains(f.Text, "common practice") || advises != strings.Contains(f.Text, "qualified") {
				t.Errorf("advice without its caution: %s", f.Text)
			}
		})
	}
}

// There soon, but not at rest: a slow pole beside a fast one. 90 % are reached
// within some 60 ms, 2 % after τ·ln(0.12/0.02) = 537 ms.
func TestSlowToSettle(t *testing.T) {
	c, series := record(.001, .2, 2, func(t float64) float64 { return 1 - .88*math.Exp(-t/.01) - .12*math.Exp(-t/.3) })
	findings := response.Find(c, series)
	if f := only(t, findings, capture.FindingLoop); f.Name != response.SlowToSettle || !strings.Contains(f.Text, "shorter integral time") || !strings.Contains(f.Text, "common practice") {
		t.Error(f.Text)
	}
	if got := value(t, only(t, findings, capture.FindingStep), "settling time 2 %"); math.Abs(got.Value-.5375) > got.PlusMinus+.005*.5375 {
		t.Errorf("settled after %g ±%g s", got.Value, got.PlusMinus)
	}
}

// Of many steps the twelve largest are told, in the order of time.
func TestTheLargestMovesAreTold(t *testing.T) {
	size := func(k int) float64 { return 10 + 10*float64(k*7%20) } // 10, 80, 150, 20, …: all different
	c, series := loopOf(21*400, .001, .7, 60, func(t float64) float64 {
		level := 1000.0
		for k := range 20 {
			if at := float64(k+1) * .4; t >= at-1e-9 {
				level += size(k) * float64(1-2*(k%2))
			}
		}
		return level
	}, nil)
	findings := response.Find(c, series)
	last, steps := math.Inf(-1), 0
	for _, f := range findings {
		if f.Kind == capture.FindingStep {
			steps++
			if s := math.Abs(value(t, f, "step").Value); s < 85 || f.From <= last {
				t.Errorf("a step of %g at %g s, after one at %g", s, f.From, last)
			}
			last = f.From
		}
	}
	if steps != 12 || !strings.Contains(texts(findings), "8 smaller changes of the setpoint are left out") {
		t.Errorf("%d steps: %s", steps, texts(findings))
	}
}

// A step that is cut off before it could have settled gets no verdict; seen for
// longer, the same loop is hunting.
func TestTooSoonForAVerdict(t *testing.T) {
	set := func(t float64) float64 { return stepAt(1, 1000, 1100)(t) + stepAt(1.1, 0, 100)(t) }
	c, series := loopOf(1160, .001, .5, 40, set, nil)
	for _, f := range response.Find(c, series) {
		if f.Kind == capture.FindingLoop && f.Name == response.SlowToSettle {
			t.Error(f.Text)
		}
	}
	c, series = loopOf(1500, .001, .03, 40, stepAt(1, 1000, 1100), nil)
	if f := only(t, response.Find(c, series), capture.FindingLoop); f.Name != response.Hunting {
		t.Error(f.Text)
	}
}

// A limit cycle of one step of the signal's resolution is no hunting.
func TestOneCountIsNoHunting(t *testing.T) {
	set, act := make(capture.Series, 4096), make(capture.Series, 4096)
	for i := range act {
		set[i], act[i] = 100, 100+float64(i/50%2)
	}
	if f := only(t, response.Find(captureOf(.001, set, act)), capture.FindingLoop); f.Name != response.Steady {
		t.Error(f.Text)
	}
}

func plus(a, b func(int) float64) func(int) float64 {
	return func(i int) float64 { return a(i) + b(i) }
}

// The frequency of a limit cycle is told with its resolution.
func TestHuntingFrequency(t *testing.T) {
	for seed := range uint64(40) {
		hz := .8 + .11*float64(seed)
		noise := white(seed, 4)
		f := only(t, response.Find(loopOf(8192, .001, .7, 40, func(float64) float64 { return 900 },
			func(i int) float64 { return noise(i) + 10*math.Sin(2*math.Pi*hz*float64(i)*.001+float64(seed)) })), capture.FindingLoop)
		if f.Name != response.Hunting {
			t.Errorf("%g Hz: %s", hz, f.Text)
			continue
		}
		if got := value(t, f, "frequency"); math.Abs(got.Value-hz) > 2*got.PlusMinus || got.PlusMinus > .1*hz {
			t.Errorf("%g ±%g Hz, want %g", got.Value, got.PlusMinus, hz)
		}
		if got := value(t, f, "amplitude"); math.Abs(got.Value-10) > 1 {
			t.Errorf("amplitude %g", got.Value)
		}
	}
}

// Noise doesn't hunt: white noise, noise through a low pass, a random walk, and
// noise that rings in a damped loop (ζ = 0.2). At most 1 in 100 may be taken
// for hunting.
func TestNoiseDoesNotHunt(t *testing.T) {
	for name, kind := range map[string]func(seed uint64) func(int) float64{
		"white":       func(seed uint64) func(int) float64 { return white(seed, 10) },
		"low pass":    func(seed uint64) func(int) float64 { return filtered(seed, .9, 0) },
		"random walk": func(seed uint64) func(int) float64 { return filtered(seed, 1, 0) },
		"ringing":     func(seed uint64) func(int) float64 { return filtered(seed, 2*.968*math.Cos(.16), -.968*.968) },
	} {
		for _, n := range []int{70, 500, 8192} {
			seeds := 200
			if n > 1000 {
				seeds = 60
			}
			wrong := 0
			for seed := range uint64(seeds) {
				noise := kind(seed)
				set, act := make(capture.Series, n), make(capture.Series, n)
				for i := range act {
					set[i], act[i] = 1000, 1000+noise(i)
				}
				for _, f := range response.Find(captureOf(.001, set, act)) {
					if f.Name == response.Hunting || f.Name == response.Fast {
						wrong++
					}
				}
			}
			if wrong > seeds/100 {
				t.Errorf("%s, %d samples: %d of %d taken for an oscillation", name, n, wrong, seeds)
			}
		}
	}
}

// filtered is white noise through y = a·y₁ + b·y₂ + e.
func filtered(seed uint64, a, b float64) func(int) float64 {
	noise := white(seed, 10)
	y1, y2 := 0.0, 0.0
	return func(i int) float64 {
		y1, y2 = a*y1+b*y2+noise(i), y1
		return y1
	}
}
