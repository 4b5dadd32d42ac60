package vibration_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"faultkeep/daemon/analysis/vibration"
	"faultkeep/store/capture"
)

// check holds every finding to the contract: finite numbers, a sentence, a
// time range within reason, channels that exist.
func check(t interface{ Errorf(string, ...any) }, c capture.Capture, findings []capture.Finding) {
	if len(findings) == 0 {
		t.Errorf("no finding at all, not even why")
	}
	for _, f := range findings {
		if !strings.HasSuffix(f.Text, ".") || strings.Contains(f.Text, "NaN") || strings.Contains(f.Text, "Inf") || strings.Contains(f.Text, "%!") {
			t.Errorf("text %q", f.Text)
		}
		if !slices.Contains(capture.FindingKinds, f.Kind) || !(f.From <= f.To) || math.IsInf(f.From, 0) || math.IsInf(f.To, 0) {
			t.Errorf("kind %q, from %g to %g: %s", f.Kind, f.From, f.To, f.Text)
		}
		for _, q := range f.Values {
			if math.IsNaN(q.Value+q.PlusMinus) || math.IsInf(q.Value+q.PlusMinus, 0) || q.PlusMinus < 0 || q.Name == "" {
				t.Errorf("value %+v in %q", q, f.Text)
			}
		}
		for _, name := range f.Channels {
			if !slices.ContainsFunc(c.Channels, func(ch capture.Channel) bool { return ch.Name == name }) {
				t.Errorf("channel %q", name)
			}
		}
	}
}

func TestSaysWhyItCannot(t *testing.T) {
	usual := func(change func(c *capture.Capture, s []capture.Series)) func() (capture.Capture, []capture.Series) {
		return func() (capture.Capture, []capture.Series) {
			c, s := machine(4096, .001, sum(constant(1500), noise(1, 1)), sum(constant(10), noise(2, .1), sine(1, 80)))
			change(&c, s)
			return c, s
		}
	}
	for name, c := range map[string]struct {
		make func() (capture.Capture, []capture.Series)
		want string
	}{
		"nothing":       {func() (capture.Capture, []capture.Series) { return capture.Capture{}, nil }, "512 samples in a row"},
		"ten samples":   {func() (capture.Capture, []capture.Series) { return machine(10, .001, constant(1), sine(1, 50)) }, "512 samples in a row"},
		"constant":      {func() (capture.Capture, []capture.Series) { return machine(4096, .001, constant(1), constant(7)) }, "constant"},
		"before a trip": {usual(func(c *capture.Capture, _ []capture.Series) { c.Fault.Code, c.Trigger.Index = 0x2311, 500 }), "before the trip"},
		"gaps everywhere": {usual(func(_ *capture.Capture, s []capture.Series) {
			for i := 0; i < 4096; i += 300 {
				s[0][i], s[1][i] = math.NaN(), math.Inf(1)
			}
		}), "512 samples in a row"},
		"digital": {usual(func(c *capture.Capture, _ []capture.Series) {
			c.Channels[0].Role, c.Channels[1].Role = capture.RoleDigital, capture.RoleSetpoint
		}), "512 samples in a row"},
		"no interval": {usual(func(c *capture.Capture, _ []capture.Series) { c.Timing.Interval = 0 }), "512 samples in a row"},
		"no speed":    {usual(func(c *capture.Capture, _ []capture.Series) { c.Channels[0].Role = capture.RoleOther }), "no channel has the role speed"},
		"speed in %":  {usual(func(c *capture.Capture, _ []capture.Series) { c.Channels[0].Unit = "%" }), "a unit such as rpm"},
		"one of them constant": {usual(func(_ *capture.Capture, s []capture.Series) {
			for i := range s[1] {
				s[1][i] = 8
			}
		}), "current: constant"},
		"gaps in one of them": {usual(func(_ *capture.Capture, s []capture.Series) {
			for i := 0; i < 4096; i += 300 {
				s[0][i] = math.NaN()
			}
		}), "speed: fewer than 512 samples in a row"},
		"shaft turns back": {usual(func(_ *capture.Capture, s []capture.Series) {
			for i := range s[0] {
				s[0][i] = 1500 - float64(i)
			}
		}), "turns back"},
	} {
		t.Run(name, func(t *testing.T) {
			cap, series := c.make()
			findings := vibration.Find(cap, series)
			check(t, cap, findings)
			if !slices.ContainsFunc(findings, func(f capture.Finding) bool {
				return f.Kind == capture.FindingUnable && strings.Contains(f.Text, c.want)
			}) {
				t.Errorf("doesn't say %q: %s", c.want, texts(findings))
			}
		})
	}
}

// A gap or a change of the interval leaves the longest stretch, and backwards
// turning shafts have orders as well.
func TestTheLongestStretchCounts(t *testing.T) {
	c, series := machine(8192, .001, sum(constant(-1500), noise(1, 1)), sum(constant(10), noise(2, .1), sine(1, 75)))
	series[1][700], series[0][900] = math.NaN(), math.NaN()
	for i := 6000; i < 8192; i++ { // these are four times as far apart
		series[1][i] = 10 + math.Sin(2*math.Pi*75*(6+.004*float64(i-6000)))
	}
	c.Timing.Rates = []capture.Rate{{End: 6000, Interval: .001}, {End: 8192, Interval: .004}}
	c.Trigger.Index = 6000
	f := at(t, vibration.Find(c, series), capture.FindingVibration, "frequency", 75, .02)
	if f.Name != "order" || math.Abs(f.From+5.299) > 1e-9 || math.Abs(f.To+.001) > 1e-9 {
		t.Errorf("%s from %g to %g: %s", f.Name, f.From, f.To, f.Text)
	}
}

// One channel alone is enough for an oscillation and for its growth.
func TestOneChannel(t *testing.T) {
	c, series := machine(4096, .001, constant(0), sum(constant(10), noise(2, .1), sine(1, 80)))
	c.Channels, series = c.Channels[1:], series[1:]
	findings := vibration.Find(c, series)
	check(t, c, findings)
	amplitude(t, at(t, findings, capture.FindingVibration, "frequency", 80, .02), "current", 1)
	if f := only(t, findings, capture.FindingGrowth); f.Name != vibration.Stable {
		t.Error(f.Text)
	}
}

func TestAnythingIsSurvived(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sample := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, 1, 1500, math.NaN(), math.Inf(1), math.MaxFloat64, -math.MaxFloat64, 5e-324}))
		some := rapid.SliceOfN(sample, 1, 30).Draw(t, "some")
		n := rapid.IntRange(0, 3000).Draw(t, "n")
		c, series := machine(n, rapid.SampledFrom([]float64{.001, 0, -1, math.NaN(), math.Inf(1), 1e-300, 1e300}).Draw(t, "dt"), constant(1200), constant(0))
		for i := range series[0] {
			series[1][i] = some[(i/(1+i%3))%len(some)]
			if len(some)%2 == 0 {
				series[0][i] = some[i%len(some)]
			}
		}
		c.Trigger.Index, c.Fault.Code = rapid.IntRange(-5, 4000).Draw(t, "trigger"), uint32(n%2)
		for _, f := range vibration.Find(c, series) {
			for _, q := range f.Values {
				if math.IsNaN(q.Value+q.PlusMinus) || math.IsInf(q.Value+q.PlusMinus, 0) {
					t.Errorf("%+v in %q", q, f.Text)
				}
			}
		}
		vibration.Across([]vibration.Tones{vibration.Look(c, series), {Rev: some[0], Tones: []vibration.Tone{{Channel: "x", Hz: some[0], PlusMinus: some[len(some)-1]}}}, {Rev: 2 * some[0]}, {Rev: 1}})
	})
}
