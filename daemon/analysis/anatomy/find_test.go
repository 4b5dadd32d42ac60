package anatomy_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/analysis/anatomy"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// of makes a capture of channels with these roles, a millisecond between samples.
func of(trigger int, roles []capture.Role, series ...capture.Series) capture.Capture {
	c := capture.Capture{Trigger: capture.Trigger{Index: trigger}, Timing: capture.Timing{Interval: 0.001}}
	for _, r := range roles {
		c.Channels = append(c.Channels, capture.Channel{Name: string(r), Role: r})
	}
	for _, s := range series {
		c.Timing.Samples = max(c.Timing.Samples, len(s))
	}
	return c
}

// stands checks what holds for all findings: sentences, finite numbers, times
// in the record, channels of the capture.
func stands(t *testing.T, c capture.Capture, findings []capture.Finding) {
	t.Helper()
	if len(findings) == 0 {
		t.Error("nothing found, and nothing said about why")
	}
	for _, f := range findings {
		if !strings.HasSuffix(f.Text, ".") || strings.Contains(f.Text, "NaN") || strings.Contains(f.Text, "Inf") || f.Basis == "" {
			t.Errorf("%q rests on %q", f.Text, f.Basis)
		}
		for _, v := range append([]capture.Quantity{{Value: f.From}, {Value: f.To}}, f.Values...) {
			if math.IsNaN(v.Value-v.Value) || math.IsNaN(v.PlusMinus-v.PlusMinus) {
				t.Errorf("%q: %+v", f.Text, v)
			}
		}
		for _, name := range f.Channels {
			if !slices.ContainsFunc(c.Channels, func(ch capture.Channel) bool { return ch.Name == name }) {
				t.Errorf("%q names a channel %q", f.Text, name)
			}
		}
	}
}

// kinds are the texts of the findings of a kind.
func kinds(findings []capture.Finding, k capture.FindingKind) (out []string) {
	for _, f := range findings {
		if f.Kind == k {
			out = append(out, f.Text)
		}
	}
	return out
}

func noise(n int, level, sigma float64) capture.Series {
	rng := rand.New(rand.NewPCG(uint64(n), 1))
	s := make(capture.Series, n)
	for i := range s {
		s[i] = level + sigma*rng.NormFloat64()
	}
	return s
}

// Whatever the samples are, every finding stands, or says why it can't.
func TestHostileSamples(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	fill := func(n int, v float64) capture.Series { return slices.Repeat(capture.Series{v}, n) }
	holes := noise(2000, 50, 1)
	for i := range holes {
		if i%7 < 3 || i > 300 && i < 700 {
			holes[i] = nan
		}
	}
	wild := noise(2000, 50, 1)
	wild[100], wild[500], wild[1200], wild[1201] = inf, -inf, 1e300, -1e300
	huge := noise(2000, 1e300, 1e299)
	both := []capture.Role{capture.RoleSetpoint, capture.RoleSpeed}
	for name, c := range map[string]struct {
		trigger int
		roles   []capture.Role
		series  []capture.Series
	}{
		"no channels":           {0, nil, nil},
		"no samples":            {0, both, []capture.Series{{}, {}}},
		"fewer series":          {100, both, []capture.Series{noise(200, 1, 1)}},
		"one sample":            {0, both, []capture.Series{{1}, {2}}},
		"all missing":           {1500, both, []capture.Series{fill(2000, nan), fill(2000, nan)}},
		"all infinite":          {1500, both, []capture.Series{fill(2000, inf), fill(2000, -inf)}},
		"holes":                 {1500, both, []capture.Series{holes, holes}},
		"wild":                  {1500, both, []capture.Series{wild, wild}},
		"huge":                  {1500, both, []capture.Series{huge, huge}},
		"constant":              {1500, both, []capture.Series{fill(2000, 5), fill(2000, 5)}},
		"zero":                  {1500, both, []capture.Series{fill(2000, 0), fill(2000, 0)}},
		"of unequal length":     {1500, both, []capture.Series{noise(300, 50, 1), noise(2000, 50, 1)}},
		"trigger at the end":    {2000, both, []capture.Series{noise(2000, 50, 1), noise(2000, 50, 1)}},
		"trigger beyond":        {5000, both, []capture.Series{noise(2000, 50, 1), noise(2000, 50, 1)}},
		"trigger at the begin":  {0, both, []capture.Series{noise(2000, 50, 1), noise(2000, 50, 1)}},
		"ten samples":           {9, both, []capture.Series{noise(10, 50, 1), noise(10, 50, 1)}},
		"one channel":           {1500, []capture.Role{capture.RoleTorque}, []capture.Series{noise(2000, 50, 1)}},
		"a setpoint alone":      {1500, []capture.Role{capture.RoleSetpoint}, []capture.Series{noise(2000, 50, 1)}},
		"bits alone":            {1500, []capture.Role{capture.RoleDigital}, []capture.Series{fill(2000, 3)}},
		"bits that are numbers": {1500, []capture.Role{capture.RoleDigital}, []capture.Series{noise(2000, -50, 1e30)}},
		"one DC link":           {1500, []capture.Role{capture.RoleDCLink}, []capture.Series{noise(2000, 560, 3)}},
	} {
		t.Run(name, func(t *testing.T) {
			capture := of(c.trigger, c.roles, c.series...)
			stands(t, capture, anatomy.Find(capture, c.series))
			capture.Timing.Interval = 0 // nobody said
			stands(t, capture, anatomy.Find(capture, c.series))
		})
	}
}

// Records of real trips whose channels were cut short, have holes, infinities or
// few counts, stand still, or are far too large or small: nothing crashes.
func TestMangledSamples(t *testing.T) {
	rounds := 120
	if testing.Short() {
		rounds = 30
	}
	rng := rand.New(rand.NewPCG(11, 19))
	causes := append(slices.Clone(drivesim.ScenarioCauses), drivesim.CalmCauses...)
	for k := range rounds {
		c, series, _ := drivesim.Scenario{Seed: uint64(k), Cause: causes[k%len(causes)], Samples: 1024}.Play()
		for i := range series {
			series[i] = mangled(series[i], rng)
		}
		if rng.IntN(4) == 0 {
			c.Trigger.Index = rng.IntN(1100)
		}
		stands(t, c, anatomy.Find(c, series))
	}
}

// mangled does one of several things to samples, or nothing.
func mangled(s capture.Series, rng *rand.Rand) capture.Series {
	each := func(f func(v float64) float64) {
		for i, v := range s {
			s[i] = f(v)
		}
	}
	switch rng.IntN(12) {
	case 0:
		return s[:rng.IntN(len(s)+1)]
	case 1, 2:
		bad, every := []float64{math.NaN(), math.Inf(1), math.Inf(-1)}[rng.IntN(3)], 2+rng.IntN(50)
		each(func(v float64) float64 {
			if rng.IntN(every) == 0 {
				return bad
			}
			return v
		})
	case 3:
		at := rng.IntN(len(s))
		copy(s[at:], slices.Repeat(capture.Series{math.NaN()}, 300))
	case 4:
		each(func(float64) float64 { return s[0] })
	case 5:
		each(func(v float64) float64 { return math.Round(v/50) * 50 })
	case 6, 7:
		size := []float64{0, 1e300, 1e-300}[rng.IntN(3)]
		each(func(v float64) float64 { return v * size })
	}
	return s
}

// What can't be told is said.
func TestTellsWhatItCant(t *testing.T) {
	few := []capture.Series{noise(10, 1, 1)}
	c := of(4, []capture.Role{capture.RoleSpeed}, few...)
	if got := kinds(anatomy.Find(c, few), capture.FindingUnable); len(got) != 1 || !strings.Contains(got[0], "4 samples before the trigger") {
		t.Errorf("%q", got)
	}
	if got := kinds(anatomy.Find(capture.Capture{}, nil), capture.FindingUnable); len(got) != 1 || !strings.Contains(got[0], "no channels") {
		t.Errorf("%q", got)
	}
}

// A step on a constant and one in noise are found to the sample, with gaps, and
// with an interval that changes on the way.
func TestStepIsFoundToTheSample(t *testing.T) {
	const n, at = 2000, 1400
	for name, change := range map[string]func(capture.Series, *capture.Capture){
		"plain": func(capture.Series, *capture.Capture) {},
		"gaps": func(s capture.Series, _ *capture.Capture) {
			for i := 0; i < at-10; i += 5 {
				s[i] = math.NaN()
			}
		},
		"two rates": func(_ capture.Series, c *capture.Capture) {
			c.Timing.Rates = []capture.Rate{{End: 1000, Interval: 0.004}, {End: n, Interval: 0.001}}
		},
	} {
		t.Run(name, func(t *testing.T) {
			for _, sigma := range []float64{0, 1} {
				s := noise(n, 100, sigma)
				for i := at; i < n; i++ {
					s[i] += 80
				}
				series := []capture.Series{s}
				c := of(1500, []capture.Role{capture.RoleTorque}, s)
				change(s, &c)
				f := anatomy.Find(c, series)
				stands(t, c, f)
				if f[0].Kind != capture.FindingFirstMover || f[0].Name != "rose" || math.Abs(f[0].From-c.At(at)) > 0.0021 {
					t.Errorf("noise %v: %s", sigma, f[0].Text)
				}
			}
		})
	}
}

// Noise alone moves nothing: in 200 records of three channels of normal noise,
// at the stated 1 % false alarms, more than 8 would happen once in a thousand.
func TestNoiseMovesNothing(t *testing.T) {
	wrong := 0
	for seed := range 200 {
		var series []capture.Series
		for k := range 3 {
			series = append(series, noise(1000+3*seed+k, float64(10*k), 1))
		}
		c := of(900, []capture.Role{capture.RoleSpeed, capture.RoleTorque, capture.RoleDCLink}, series...)
		if f := anatomy.Find(c, series); f[0].Name != "none" {
			wrong++
		}
	}
	if wrong > 8 {
		t.Errorf("%d of 200", wrong)
	}
}

// Ten million samples: what moved first is looked for in the last ones before
// the trigger, which is said, and what is read off is read off all of them.
func TestTenMillionSamples(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	const n = 10_000_000
	s := make(capture.Series, n)
	for i := range s {
		s[i] = float64(i % 3)
		if i >= n-1000 {
			s[i] += 50
		}
	}
	s[5] = -7
	series := []capture.Series{s}
	c := of(n-500, []capture.Role{capture.RoleTorque}, s)
	start := time.Now()
	f := anatomy.Find(c, series)
	t.Logf("%v", time.Since(start))
	stands(t, c, f)
	if math.Abs(f[0].From+0.5) > 0.003 || f[0].Name != "rose" {
		t.Error(f[0].Text)
	}
	if got := kinds(f, capture.FindingUnable); len(got) != 1 || !strings.Contains(got[0], "131072") {
		t.Errorf("%q", got)
	}
	if got := kinds(f, capture.FindingExtreme); len(got) != 1 || !strings.Contains(got[0], "lowest −7") {
		t.Errorf("%q", got)
	}
}

// The cause findings call themselves candidates and rest on evidence.
func TestCausesAreCandidates(t *testing.T) {
	c, series, _ := drivesim.Scenario{Seed: 4, Cause: drivesim.MainsDip, Machine: drivesim.Elevator(), Noise: drivesim.Normal}.Play()
	for _, f := range anatomy.Find(c, series) {
		if f.Kind == capture.FindingCause && (len(f.For) == 0 || !strings.Contains(f.Basis, "not a diagnosis")) {
			t.Errorf("%q for %q, %q", f.Text, f.For, f.Basis)
		}
	}
}
