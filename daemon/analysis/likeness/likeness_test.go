package likeness_test

import (
	"cmp"
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"faultkeep/daemon/analysis/likeness"
	"faultkeep/store/capture"
)

// made is a capture of a made-up trip, n samples dt apart, three quarters of
// them before the trigger: each channel has a level, noise, and a move of some
// form that begins at onset (s from the trigger).
type made struct {
	n     int
	dt    float64
	seed  uint64
	onset float64
	rise  float64   // s that a move takes; 0: 0.1
	sizes []float64 // of the moves of current, torque, DC link, temperature; 0: none
}

var measured = []capture.Channel{
	{Name: "output current", Unit: "A", Role: capture.RoleCurrent}, {Name: "torque", Unit: "N·m", Role: capture.RoleTorque},
	{Name: "DC link voltage", Unit: "V", Role: capture.RoleDCLink}, {Name: "heat sink", Unit: "°C", Role: capture.RoleTemperature},
}

func (m made) capture() (capture.Capture, []capture.Series) {
	c := capture.Capture{Timing: capture.Timing{Samples: m.n, Interval: m.dt}, Trigger: capture.Trigger{Index: m.n * 3 / 4}}
	rng := rand.New(rand.NewPCG(m.seed, 7))
	var series []capture.Series
	for k, size := range m.sizes {
		c.Channels = append(c.Channels, measured[k])
		s := make(capture.Series, m.n)
		for i := range s {
			s[i] = 100 + rng.NormFloat64()
			if t := c.At(i) - m.onset; t > 0 {
				s[i] += size * math.Min(1, t/cmp.Or(m.rise, 0.1))
			}
		}
		series = append(series, s)
	}
	return c, series
}

func drawn(t *rapid.T) made {
	m := made{n: rapid.IntRange(400, 3000).Draw(t, "n"), dt: rapid.SampledFrom([]float64{0.0005, 0.001, 0.002}).Draw(t, "dt"),
		seed: rapid.Uint64().Draw(t, "seed"), onset: -rapid.Float64Range(0.03, 0.1).Draw(t, "before")}
	for range rapid.IntRange(1, 4).Draw(t, "channels") {
		m.sizes = append(m.sizes, rapid.SampledFrom([]float64{-300, -50, 0, 50, 300}).Draw(t, "size"))
	}
	return m
}

// Likeness is symmetric, within 0 and 1, and 1 with itself.
func TestLikenessIsOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := likeness.Of(drawn(t).capture()), likeness.Of(drawn(t).capture())
		ab, ba := likeness.Alike(a, b), likeness.Alike(b, a)
		if ab != ba || !(ab >= 0 && ab <= 1) {
			t.Fatalf("%v one way, %v the other", ab, ba)
		}
		if self := likeness.Alike(a, a); self != 1 {
			t.Fatalf("%v with itself", self)
		}
	})
}

// Neither the level nor the gain of a channel, nor the order of channels changes
// the picture: but for the rounding of a cell, which is a hundredth.
func TestLevelGainAndOrderDontMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, series := drawn(t).capture()
		want := likeness.Of(c, series)
		for k, s := range series {
			gain, level := rapid.Float64Range(0.01, 100).Draw(t, "gain"), rapid.Float64Range(-1000, 1000).Draw(t, "level")
			for i := range s {
				s[i] = gain*s[i] + level*gain
			}
			j := rapid.IntRange(0, k).Draw(t, "to")
			series[j], series[k] = series[k], series[j]
			c.Channels[j], c.Channels[k] = c.Channels[k], c.Channels[j]
		}
		got := likeness.Of(c, series)
		if !slices.Equal(got.Rows, want.Rows) || got.From != want.From || got.To != want.To {
			t.Fatalf("rows %v, want %v", got.Rows, want.Rows)
		}
		for i := range got.Cells {
			if d := int(int8(got.Cells[i])) - int(int8(want.Cells[i])); d < -1 || d > 1 {
				t.Fatalf("cell %d: %d, want %d", i, int8(got.Cells[i]), int8(want.Cells[i]))
			}
		}
	})
}

// The trigger may sit up to 7 ms, the finest bin, earlier or later, even where
// everything jumps just before it.
func TestSmallShifts(t *testing.T) {
	worst := 1.0
	for seed := range uint64(20) {
		a := made{n: 2000, dt: 0.001, seed: seed, onset: -0.015, rise: 0.001, sizes: []float64{80, 60, -50, 0}}
		for _, by := range []float64{-0.007, -0.003, 0.003, 0.007} {
			b := a
			b.seed, b.onset = seed+100, a.onset+by
			worst = math.Min(worst, likeness.Alike(likeness.Of(a.capture()), likeness.Of(b.capture())))
		}
	}
	if worst < 0.97 {
		t.Errorf("likeness %.2f when the trigger moves by 7 ms at most", worst)
	}
}

// What moves otherwise is less alike: the other way, another channel, at another
// time, or nothing at all.
func TestWhatIsUnlike(t *testing.T) {
	base := made{n: 2000, dt: 0.001, seed: 1, onset: -0.1, sizes: []float64{80, 60, -50, 0}}
	a := likeness.Of(base.capture())
	for name, c := range map[string]struct {
		change func(*made)
		most   float64
	}{
		"the same again":          {func(*made) {}, 1},
		"the other way":           {func(m *made) { m.sizes = []float64{-80, -60, 50, 0} }, 0.1},
		"another channel":         {func(m *made) { m.sizes = []float64{0, 0, 0, 90} }, 0.3},
		"a second before":         {func(m *made) { m.onset = -1 }, 0.9},
		"nothing moves":           {func(m *made) { m.sizes = []float64{0, 0, 0, 0} }, 0.5},
		"the same, less of noise": {func(m *made) { m.sizes = []float64{320, 240, -200, 0} }, 1},
	} {
		m := base
		m.seed = 2
		c.change(&m)
		got := likeness.Alike(a, likeness.Of(m.capture()))
		if got > c.most || c.most == 1 && got < 0.9 {
			t.Errorf("%s: likeness %.2f", name, got)
		}
	}
	still := func(seed uint64) likeness.Print {
		return likeness.Of(made{n: 2000, dt: 0.001, seed: seed, sizes: []float64{0, 0, 0, 0}}.capture())
	}
	if got := likeness.Alike(still(1), still(2)); got < 0.9 {
		t.Errorf("two in which nothing moves: likeness %.2f", got)
	}
}

// A record that turns the other way is the same mirrored, and a setpoint that
// leaves the speed behind isn't a speed that leaves the setpoint.
func TestMirroredAndCommanded(t *testing.T) {
	speed := func(way, setpoint, actual float64, seed uint64) likeness.Print {
		c, series := made{n: 2000, dt: 0.001, seed: seed, sizes: []float64{0, 0}}.capture()
		c.Channels[0] = capture.Channel{Name: "speed", Unit: "rpm", Role: capture.RoleSpeed}
		c.Channels[1] = capture.Channel{Name: "setpoint", Unit: "rpm", Role: capture.RoleSetpoint}
		for i := range series[0] {
			t := min(max(c.At(i)+0.2, 0)/0.1, 1)
			series[0][i] = way * (series[0][i] - 100 + 1000 + t*actual)
			series[1][i] = way * (1000 + t*setpoint)
		}
		return likeness.Of(c, series)
	}
	slows, mirrored, asked, follows := speed(1, 0, -300, 1), speed(-1, 0, -300, 2), speed(1, 300, 0, 3), speed(1, 300, 300, 4)
	if got := likeness.Alike(slows, mirrored); got < 0.9 {
		t.Errorf("mirrored: likeness %.2f", got)
	}
	if got := likeness.Alike(slows, asked); got > 0.1 || asked.Asked < 0.9 || slows.Asked > 0.1 {
		t.Errorf("setpoint leaves the speed behind: likeness %.2f, asked %.2f and %.2f", got, asked.Asked, slows.Asked)
	}
	// They only go on alike after the trigger.
	if got := likeness.Alike(slows, follows); got > 0.8 || follows.Asked != 0 {
		t.Errorf("a setpoint that is followed: likeness %.2f, asked %.2f", got, follows.Asked)
	}
}

// A part of a record is like the whole: they are compared over what both have.
func TestPartOfARecord(t *testing.T) {
	whole := made{n: 4000, dt: 0.001, seed: 3, onset: -0.1, sizes: []float64{80, 60, -50, 0}}
	a := likeness.Of(whole.capture())
	c, series := whole.capture()
	for _, s := range series {
		for i := range s {
			if t := c.At(i); t < -0.7 || t > 0.02 {
				s[i] = math.NaN()
			}
		}
	}
	part := likeness.Of(c, series)
	if got := likeness.Alike(a, part); got < 0.95 || part.From <= a.From || part.To >= a.To {
		t.Errorf("likeness %.2f, bins %d to %d of %d to %d", got, part.From, part.To, a.From, a.To)
	}
	c.Channels, series = c.Channels[:3], series[:3]
	if got := likeness.Alike(a, likeness.Of(c, series)); got < 0.95 {
		t.Errorf("without a channel: likeness %.2f", got)
	}
	fine := whole
	fine.n, fine.dt = 16000, 0.00025
	if got := likeness.Alike(a, likeness.Of(fine.capture())); got < 0.9 {
		t.Errorf("four times as fine: likeness %.2f", got)
	}
}

// A print is small, and stored and read again it is the same.
func TestPrintIsSmall(t *testing.T) {
	for _, s := range scenes()[:10] {
		stored, err := json.Marshal(s.Print)
		if err != nil || len(stored) > 2000 {
			t.Fatalf("%d bytes, %v", len(stored), err)
		}
		var back likeness.Print
		if err := json.Unmarshal(stored, &back); err != nil {
			t.Fatal(err)
		}
		if d := gocmp.Diff(s.Print, back); d != "" {
			t.Error(d)
		}
	}
}

// Every odd capture either has a picture or says why not, and nothing breaks.
func TestOddCaptures(t *testing.T) {
	usual := func(change func(*capture.Capture, []capture.Series)) func() (capture.Capture, []capture.Series) {
		return func() (capture.Capture, []capture.Series) {
			c, s := made{n: 2000, dt: 0.001, seed: 4, onset: -0.1, sizes: []float64{80, 60, -50, 0}}.capture()
			change(&c, s)
			return c, s
		}
	}
	fill := func(v float64) func(*capture.Capture, []capture.Series) {
		return func(_ *capture.Capture, series []capture.Series) {
			for _, s := range series {
				for i := range s {
					s[i] = v
				}
			}
		}
	}
	for name, c := range map[string]struct {
		make func() (capture.Capture, []capture.Series)
		why  string
	}{
		"nothing":          {func() (capture.Capture, []capture.Series) { return capture.Capture{}, nil }, "time between samples"},
		"no samples":       {usual(func(_ *capture.Capture, s []capture.Series) { clear(s) }), "no samples"},
		"ten samples":      {made{n: 10, dt: 0.001, sizes: []float64{5}}.capture, "fewer than 16"},
		"trigger first":    {usual(func(c *capture.Capture, _ []capture.Series) { c.Trigger.Index = 0 }), "fewer than 16"},
		"trigger behind":   {usual(func(c *capture.Capture, _ []capture.Series) { c.Trigger.Index = 5000 }), "ends before"},
		"missing":          {usual(fill(math.NaN())), "no channel"},
		"infinite":         {usual(fill(math.Inf(-1))), "no channel"},
		"no interval":      {usual(func(c *capture.Capture, _ []capture.Series) { c.Timing.Interval = math.NaN() }), "time between samples"},
		"times go back":    {usual(func(c *capture.Capture, _ []capture.Series) { c.Timing.Rates = []capture.Rate{{End: 5, Interval: -1}} }), "time between samples"},
		"too short a stay": {made{n: 40, dt: 1e-4, sizes: []float64{5}}.capture, "too little"},
		"setpoint only":    {usual(func(c *capture.Capture, s []capture.Series) { clear(s[1:]); c.Channels[0].Role = capture.RoleSetpoint }), "setpoints"},
		"constant":         {usual(fill(7)), ""},
		"largest":          {usual(fill(math.MaxFloat64)), ""},
		"one channel":      {made{n: 500, dt: 0.001, sizes: []float64{50}}.capture, ""},
		"wild samples": {usual(func(_ *capture.Capture, s []capture.Series) {
			s[0][700], s[1][800], s[2][1490] = 1e300, math.Inf(1), math.NaN()
		}), ""},
		"a second apart":   {made{n: 500, dt: 1, sizes: []float64{50}}.capture, ""},
		"one channel ends": {usual(func(_ *capture.Capture, s []capture.Series) { s[1] = s[1][:1000] }), ""},
		"fewer series":     {usual(func(c *capture.Capture, _ []capture.Series) { c.Channels = append(c.Channels, measured[0]) }), ""},
		"names twice":      {usual(func(c *capture.Capture, _ []capture.Series) { c.Channels[1] = c.Channels[0] }), ""},
		"digital, no bits": {usual(func(c *capture.Capture, _ []capture.Series) { c.Channels[1].Role = capture.RoleDigital }), ""},
		"two rates": {usual(func(c *capture.Capture, _ []capture.Series) {
			c.Timing.Rates = []capture.Rate{{End: 1000, Interval: 0.01}, {End: 2000, Interval: 0.001}}
		}), ""},
		"more than 64 names": {func() (capture.Capture, []capture.Series) { return many(200) }, ""},
	} {
		t.Run(name, func(t *testing.T) {
			p := likeness.Of(c.make())
			if c.why == "" != (p.Why == "") || !strings.Contains(p.Why, c.why) {
				t.Fatalf("why %q, want %q", p.Why, c.why)
			}
			if got := likeness.Alike(p, p); c.why == "" && got != 1 || c.why != "" && got != 0 {
				t.Errorf("likeness with itself %v", got)
			}
			if len(p.Rows) > 64 || len(p.Cells) != 25*len(p.Rows) {
				t.Errorf("%d rows, %d cells", len(p.Rows), len(p.Cells))
			}
			f := likeness.Place(likeness.Known{ID: "a", Print: p}, nil).Finding(nil)
			if c.why != "" != (f.Kind == capture.FindingUnable) || !strings.HasSuffix(f.Text, ".") {
				t.Errorf("%s: %s", f.Kind, f.Text)
			}
		})
	}
}

// many is a capture of a lot of channels.
func many(channels int) (capture.Capture, []capture.Series) {
	c, s := made{n: 500, dt: 0.001, sizes: []float64{50}}.capture()
	c.Channels = nil
	var series []capture.Series
	for i := range channels {
		c.Channels = append(c.Channels, capture.Channel{Name: strings.Repeat("x", i+1)})
		series = append(series, s[0])
	}
	return c, series
}

// What stands out in both makes pictures more alike, or less; what stands out in
// one alone says nothing.
func TestWhatStandsOut(t *testing.T) {
	a := likeness.Of(made{n: 500, dt: 0.001, sizes: []float64{50, 0}}.capture())
	b := likeness.Of(made{n: 500, dt: 0.001, sizes: []float64{50, 30}}.capture())
	of := func(one, other string) float64 {
		a.Cause, b.Cause = one, other
		if back := likeness.Alike(b, a); back != likeness.Alike(a, b) {
			t.Errorf("%q and %q: %v one way, %v the other", one, other, likeness.Alike(a, b), back)
		}
		return likeness.Alike(a, b)
	}
	plain := of("", "")
	if plain < 0.2 || plain > 0.95 {
		t.Fatalf("likeness %v: too little room to show anything", plain)
	}
	if one, same, other := of("supply", ""), of("supply", "supply"), of("supply", "thermal"); one != plain || same <= plain || same >= 1 || other >= plain {
		t.Errorf("%v without, %v with one, %v with the same, %v with another", plain, one, same, other)
	}
	if a.Cause = "supply"; likeness.Alike(a, a) != 1 {
		t.Errorf("likeness to itself %v", likeness.Alike(a, a))
	}
}

// A print that was damaged where it was kept is like nothing, and breaks nothing.
func TestDamagedPrints(t *testing.T) {
	good := likeness.Of(made{n: 500, dt: 0.001, sizes: []float64{50, 0}}.capture())
	for name, change := range map[string]func(*likeness.Print){
		"version": func(p *likeness.Print) { p.Version++ }, "cells": func(p *likeness.Print) { p.Cells = p.Cells[1:] },
		"rows": func(p *likeness.Print) { p.Rows = nil }, "from": func(p *likeness.Print) { p.From = -1 },
		"to": func(p *likeness.Print) { p.To = 26 }, "asked": func(p *likeness.Print) { p.Asked = math.NaN() },
		"empty": func(p *likeness.Print) { *p = likeness.Print{} },
	} {
		bad := good
		change(&bad)
		if got := likeness.Alike(good, bad); got != 0 {
			t.Errorf("%s: likeness %v", name, got)
		}
	}
}

func TestTenMillionSamples(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a second")
	}
	m := made{n: 10_000_000, dt: 1e-6, seed: 5, onset: -0.1, sizes: []float64{80}}
	coarse := made{n: 10_000, dt: 1e-3, seed: 6, onset: -0.1, sizes: []float64{80}}
	if got := likeness.Alike(likeness.Of(m.capture()), likeness.Of(coarse.capture())); got < 0.9 {
		t.Errorf("a thousand times as fine: likeness %.2f", got)
	}
}
