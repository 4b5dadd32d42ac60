package analysis_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"faultkeep/daemon/analysis"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// whole is a simulated trip of 8 channels of 8,192 samples.
func whole(tb testing.TB) (capture.Capture, []capture.Series) {
	tb.Helper()
	c, series, _ := drivesim.Scenario{Seed: 4, Cause: drivesim.Jam, Samples: 8192}.Play()
	if len(c.Channels) != 8 || c.Timing.Samples != 8192 {
		tb.Fatalf("%d channels of %d samples", len(c.Channels), c.Timing.Samples)
	}
	return c, series
}

// All that is found comes in the order in which it is told, with its channels
// and numbers; a picture and tones come with it.
func TestStudy(t *testing.T) {
	c, series := whole(t)
	r := analysis.Study(c, series)
	last, kinds := 0, map[capture.FindingKind]int{}
	for _, f := range r.Findings {
		at := slices.Index(capture.FindingKinds, f.Kind)
		if at < last || f.Text == "" || f.From > f.To {
			t.Errorf("%+v", f)
		}
		for _, v := range f.Values {
			if math.IsNaN(v.Value) || math.IsInf(v.Value, 0) || math.IsNaN(v.PlusMinus) || math.IsInf(v.PlusMinus, 0) {
				t.Errorf("%s: %+v", f.Text, v)
			}
		}
		last = at
		kinds[f.Kind]++
	}
	if kinds[capture.FindingFirstMover] != 1 || kinds[capture.FindingCause] == 0 || kinds[capture.FindingExtreme] != 7 {
		t.Errorf("%v", kinds)
	}
	if r.Print.Why != "" || len(r.Print.Cells) == 0 || r.Tones.Capture != c.ID {
		t.Errorf("print: %q, tones of %q", r.Print.Why, r.Tones.Capture)
	}
}

// Whatever a capture holds, each finding stands or says why it can't.
func TestOddCaptures(t *testing.T) {
	c, series := whole(t)
	nan := slices.Repeat([]float64{math.NaN()}, 8192)
	wild := slices.Repeat([]float64{math.Inf(1), -1e308, 1e308, math.Inf(-1)}, 2048)
	for name, change := range map[string]func(*capture.Capture, []capture.Series){
		"nothing":     func(c *capture.Capture, s []capture.Series) { *c = capture.Capture{} },
		"one channel": func(c *capture.Capture, s []capture.Series) { c.Channels = c.Channels[1:2] },
		"constants": func(_ *capture.Capture, s []capture.Series) {
			for i := range s {
				s[i] = make([]float64, 8192)
			}
		},
		"not a number": func(_ *capture.Capture, s []capture.Series) {
			for i := range s {
				s[i] = nan
			}
		},
		"wild": func(_ *capture.Capture, s []capture.Series) {
			for i := range s {
				s[i] = wild
			}
		},
		"ten samples": func(c *capture.Capture, s []capture.Series) {
			c.Timing.Samples, c.Trigger.Index = 10, 7
			for i := range s {
				s[i] = s[i][:10]
			}
		},
		"no trigger":    func(c *capture.Capture, _ []capture.Series) { c.Trigger.Index = 0 },
		"late trigger":  func(c *capture.Capture, _ []capture.Series) { c.Trigger.Index = 8192 },
		"short channel": func(_ *capture.Capture, s []capture.Series) { s[2] = s[2][:100] },
		"no interval":   func(c *capture.Capture, _ []capture.Series) { c.Timing.Interval = 0 },
		"two rates": func(c *capture.Capture, _ []capture.Series) {
			c.Timing.Rates = []capture.Rate{{End: 4000, Interval: 0.001}, {End: 8192, Interval: 0.0001}}
		},
	} {
		c, s := c, slices.Clone(series)
		c.Channels = slices.Clone(c.Channels)
		change(&c, s)
		s = s[:min(len(s), len(c.Channels))]
		for _, f := range analysis.Study(c, s).Findings {
			if f.Name == "defect" || f.Text == "" {
				t.Errorf("%s: %s", name, f.Text)
			}
		}
	}
}

// An analysis that meets what it doesn't know takes no other with it.
func TestGuarded(t *testing.T) {
	found := analysis.Guarded("what moved first", func() []capture.Finding { panic("what now") })
	if len(found) != 1 || found[0].Kind != capture.FindingUnable || found[0].Name != "defect" {
		t.Errorf("%+v", found)
	}
}

// BenchmarkStudy does everything with 8 channels of 8,192 samples; the floor
// reads each sample once. The aim is 20 ms on one core.
func BenchmarkStudy(b *testing.B) {
	c, series := whole(b)
	sum := 0.0
	floor := time.Hour
	for range 20 {
		begun := time.Now()
		for _, one := range series {
			for _, v := range one {
				sum += v
			}
		}
		floor = min(floor, time.Since(begun))
	}
	for b.Loop() {
		analysis.Study(c, series)
	}
	each := float64(b.Elapsed().Nanoseconds()) / float64(b.N)
	b.ReportMetric(each/1e6, "ms/capture")
	b.ReportMetric(each/float64(floor.Nanoseconds()), "×reading")
	if math.IsNaN(sum) {
		b.Fatal(sum)
	}
}
