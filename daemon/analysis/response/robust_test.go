package response_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"faultkeep/daemon/analysis/response"
	"faultkeep/store/capture"
)

// check holds every finding to the contract: finite numbers, a sentence, a
// time range within reason, channels that exist.
func check(t interface{ Errorf(string, ...any) }, c capture.Capture, findings []capture.Finding) {
	if len(findings) == 0 {
		t.Errorf("no finding at all, not even why")
	}
	for _, f := range findings {
		if !strings.HasSuffix(f.Text, ".") || !utf8.ValidString(f.Text) || strings.Contains(f.Text, "NaN") || strings.Contains(f.Text, "Inf") || strings.Contains(f.Text, "%!") {
			t.Errorf("text %q", f.Text)
		}
		if !slices.Contains(capture.FindingKinds, f.Kind) || f.From > f.To || math.IsNaN(f.From+f.To) || math.IsInf(f.From, 0) || math.IsInf(f.To, 0) {
			t.Errorf("kind %q, from %g to %g", f.Kind, f.From, f.To)
		}
		for _, q := range f.Values {
			if math.IsNaN(q.Value+q.PlusMinus) || math.IsInf(q.Value, 0) || math.IsInf(q.PlusMinus, 0) || q.PlusMinus < 0 || q.Name == "" {
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
	wide := func(change func(c *capture.Capture, s []capture.Series)) func() (capture.Capture, []capture.Series) {
		return func() (capture.Capture, []capture.Series) {
			c, s := loopOf(2000, .001, .5, 40, stepAt(1, 1000, 1100), white(1, .1))
			change(&c, s)
			return c, s
		}
	}
	loop := func(n int, set func(float64) float64, sigma float64) func() (capture.Capture, []capture.Series) {
		return func() (capture.Capture, []capture.Series) { return loopOf(n, .001, .5, 40, set, white(1, sigma)) }
	}
	tripped := capture.Fault{Code: 0x2311}
	for name, c := range map[string]struct {
		make func() (capture.Capture, []capture.Series)
		want string
	}{
		"no channels":    {func() (capture.Capture, []capture.Series) { return capture.Capture{}, nil }, "no channel is a setpoint"},
		"one channel":    {wide(func(c *capture.Capture, _ []capture.Series) { c.Channels = c.Channels[1:] }), "no channel is a setpoint"},
		"setpoint alone": {wide(func(c *capture.Capture, _ []capture.Series) { c.Channels = c.Channels[:1] }), "record the actual value"},
		"no samples":     {wide(func(c *capture.Capture, s []capture.Series) { c.Timing.Samples, s[0], s[1] = 0, nil, nil }), "no samples"},
		"series lacking": {wide(func(c *capture.Capture, s []capture.Series) { s[1] = nil }), "no samples"},
		"all missing": {wide(func(c *capture.Capture, s []capture.Series) {
			for i := range s[1] {
				s[1][i] = math.NaN()
			}
		}), "no samples in common"},
		"interval not known":             {wide(func(c *capture.Capture, _ []capture.Series) { c.Timing.Interval = 0 }), "interval isn't known"},
		"no step":                        {loop(2000, func(float64) float64 { return 1500 }, .1), "doesn't change"},
		"ten samples":                    {loop(10, stepAt(.005, 0, 100), 0), "only 5 samples follow before the record ends"},
		"constant setpoint, ten samples": {loop(10, func(float64) float64 { return 1500 }, .1), "fewer than 64 samples in a row"},
		"constant": {wide(func(_ *capture.Capture, s []capture.Series) {
			for i := range s[0] {
				s[0][i], s[1][i] = 1500, 1500
			}
		}), "stands still or the actual value isn't measured"},
		"constant, far off": {wide(func(_ *capture.Capture, s []capture.Series) {
			for i := range s[0] {
				s[0][i], s[1][i] = 1500, 0
			}
		}), "the drive didn't control"},
		"close to the end":        {loop(1008, stepAt(1, 1000, 1100), .1), "only 8 samples follow"},
		"record ends in the rise": {loop(1022, stepAt(1, 1000, 1100), .1), "% of the way when the record ends"},
		"next step too soon":      {loop(2000, func(t float64) float64 { return 1000 + 10*math.Min(12, math.Floor(t/.015)) }, .1), "setpoint changes again"},
		"no pause":                {loop(2000, func(t float64) float64 { return 1000 + 50*math.Sin(20*t) }, .1), "more changes of the setpoint can't be judged"},
		"back and forth": {loop(2000, func(t float64) float64 {
			return 1000 + stepAt(1, 0, 50)(t) - stepAt(1.001, 0, 20)(t) + stepAt(1.003, 0, 50)(t) - stepAt(1.004, 0, 50)(t)
		}, .1), "back and forth"},
		"still moving":     {loop(4000, func(t float64) float64 { return stepAt(1, 1000, 1200)(t) + stepAt(1.06, 0, -150)(t) }, .1), "still moving"},
		"drowned in noise": {loop(2000, stepAt(1, 1000, 1100), 30), "noise"},
		"doesn't follow": {wide(func(c *capture.Capture, s []capture.Series) {
			for i := range s[1] {
				s[1][i] = 7 + .01*float64(i%3)
			}
		}), "beyond the new setpoint already|doesn't follow"},
		"step at the trip":   {wide(func(c *capture.Capture, _ []capture.Series) { c.Fault, c.Trigger.Index = tripped, 1000 }), "doesn't change before the trip"},
		"trip in the rise":   {wide(func(c *capture.Capture, _ []capture.Series) { c.Fault, c.Trigger.Index = tripped, 1020 }), "the drive trips"},
		"all after the trip": {wide(func(c *capture.Capture, _ []capture.Series) { c.Fault, c.Trigger.Index = tripped, 0 }), "after the trip"},
		"gap in the answer": {wide(func(c *capture.Capture, s []capture.Series) {
			for i := 1008; i < 1040; i++ {
				s[1][i] = math.Inf(1)
			}
		}), "before samples are missing"},
		"interval changes": {wide(func(c *capture.Capture, s []capture.Series) {
			c.Timing.Rates = []capture.Rate{{End: 1012, Interval: .001}, {End: 2000, Interval: .002}}
		}), "sample interval changes"},
	} {
		t.Run(name, func(t *testing.T) {
			cap, series := c.make()
			findings := response.Find(cap, series)
			check(t, cap, findings)
			said := false
			for _, f := range findings {
				if f.Kind == capture.FindingStep && name != "still moving" {
					t.Errorf("judged all the same: %s", f.Text)
				}
				for _, want := range strings.Split(c.want, "|") {
					said = said || f.Kind == capture.FindingUnable && strings.Contains(f.Text, want)
				}
			}
			if !said {
				t.Errorf("doesn't say %q: %s", c.want, texts(findings))
			}
		})
	}
}

// Single missing samples, an infinity and a rate that changes well after the
// answer leave a step measured, and the samples as they were.
func TestSmallGapsAreBridged(t *testing.T) {
	c, series := loopOf(4000, .001, .5, 40, stepAt(1, 1000, 1100), nil)
	want := only(t, response.Find(c, series), capture.FindingStep)
	series[1][1003], series[1][1300], series[0][1400], series[1][1401] = math.NaN(), math.Inf(-1), math.NaN(), math.NaN()
	c.Timing.Rates = []capture.Rate{{End: 2500, Interval: .001}, {End: 4000, Interval: .004}}
	got := only(t, response.Find(c, series), capture.FindingStep)
	for _, name := range []string{"rise time", "overshoot", "settling time 2 %"} {
		a, b := value(t, want, name), value(t, got, name)
		if math.Abs(a.Value-b.Value) > .005*a.Value {
			t.Errorf("%s %g, without gaps %g", name, b.Value, a.Value)
		}
	}
	if !strings.Contains(got.Basis, "4 missing samples") {
		t.Errorf("basis %q", got.Basis)
	}
	if !math.IsNaN(series[1][1003]) || !math.IsInf(series[1][1300], -1) {
		t.Error("the caller's samples were changed")
	}
}

// Steps down, of negative speeds and of huge and tiny numbers measure as any.
func TestScaleAndSignDontMatter(t *testing.T) {
	for _, levels := range [][2]float64{{1100, 1000}, {-500, -600}, {50, -50}, {1e9, 1.1e9}, {1e-9, 3e-9}} {
		c, series := loopOf(4000, .001, .5, 40, stepAt(1, levels[0], levels[1]), nil)
		findings := response.Find(c, series)
		check(t, c, findings)
		f := only(t, findings, capture.FindingStep)
		if over := value(t, f, "overshoot"); math.Abs(over.Value-16.3034) > .1 {
			t.Errorf("%v: overshoot %g", levels, over.Value)
		}
	}
}

// A quantised signal is measured within what its resolution allows.
func TestQuantisedSignals(t *testing.T) {
	for _, q := range []float64{.1, 1, 5} {
		c, series := loopOf(4000, .001, .4, 40, stepAt(1, 1000, 1100), nil)
		for i, y := range series[1] {
			series[1][i] = math.Round(y/q) * q
		}
		f := only(t, response.Find(c, series), capture.FindingStep)
		for name, want := range map[string]float64{"overshoot": 25.3827, "rise time": 1.46349 / 40, "settling time 5 %": 7.6088 / 40} {
			if q == 5 && name == "settling time 5 %" {
				continue
			}
			got := value(t, f, name)
			if math.Abs(got.Value-want) > got.PlusMinus {
				t.Errorf("resolution %g: %s %.4g ±%.2g, want %.4g", q, name, got.Value, got.PlusMinus, want)
			}
		}
	}
}

func TestAnythingIsSurvived(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sample := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, 1, 100, 1500, math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64, 5e-324}))
		n := rapid.IntRange(0, 200).Draw(t, "n")
		set := rapid.SliceOfN(sample, n, n).Draw(t, "set")
		if rapid.Bool().Draw(t, "blocks") {
			for i := range set {
				set[i] = set[i/25*25]
			}
		}
		act := rapid.SliceOfN(sample, 0, 200).Draw(t, "act")
		c, series := captureOf(rapid.SampledFrom([]float64{.001, 0, -1, math.NaN(), math.Inf(1), 1e-300, 1e300}).Draw(t, "dt"), set, act)
		c.Trigger.Index = rapid.IntRange(-5, 300).Draw(t, "trigger")
		c.Fault.Code = uint32(rapid.IntRange(0, 1).Draw(t, "fault"))
		if rapid.Bool().Draw(t, "rates") && n > 10 {
			c.Timing.Rates = []capture.Rate{{End: n / 2, Interval: .001}, {End: n, Interval: .002}}
		}
		for _, f := range response.Find(c, series) {
			if f.Text == "" {
				t.Errorf("empty text")
			}
			for _, q := range f.Values {
				if math.IsNaN(q.Value+q.PlusMinus) || math.IsInf(q.Value+q.PlusMinus, 0) {
					t.Errorf("%+v in %q", q, f.Text)
				}
			}
		}
	})
}
