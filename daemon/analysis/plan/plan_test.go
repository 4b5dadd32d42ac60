package plan_test

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/analysis/plan"
)

const ms = time.Millisecond

func perChannel(n int) plan.Memory { return plan.Memory{PerChannel: n} }

func must(t *testing.T, a plan.Ask) plan.Plan {
	t.Helper()
	answer, err := plan.Make(a)
	if err != nil || answer.Plan == nil {
		t.Fatalf("%v %v", err, answer.Conflicts)
	}
	return *answer.Plan
}

// Arithmetic: 8192 samples are 8.192 s at 1 kHz, 2.048 s at 4 kHz, 1.024 s at
// 8 kHz. A spectrum of the whole record has lines 1/T apart (Bendat and
// Piersol, Random Data: Δf = 1/T = 1/(N·Δt); ISO 18431-1; values from memory).
// The sampling theorem's limit is half the rate (Shannon 1949), the usual one
// of vibration analysers the rate by 2.56 (common practice, no source).
func TestNumbersOfAPlan(t *testing.T) {
	for _, c := range []struct {
		interval, before, after time.Duration
		duration                time.Duration
		resolution, nyquist     float64
		shape, spectrum         float64
	}{
		{ms, 6 * time.Second, 2 * time.Second, 8192 * ms, 0.1220703125, 500, 200, 390.625},
		{ms / 4, 1500 * ms, 500 * ms, 2048 * ms, 0.48828125, 2000, 800, 1562.5},
		{ms / 8, 750 * ms, 250 * ms, 1024 * ms, 0.9765625, 4000, 1600, 3125},
	} {
		p := must(t, plan.Ask{Memory: perChannel(8192), Channels: 8, Before: c.before, After: c.after,
			Intervals: []time.Duration{4 * ms, ms, ms / 4, ms / 8}})
		if p.Interval != c.interval || p.Duration != c.duration || p.Resolution != c.resolution || p.Nyquist != c.nyquist || p.ShapeTo != c.shape ||
			math.Abs(p.SpectrumTo-c.spectrum) > 1e-9 {
			t.Errorf("%+v, want %+v", p, c)
		}
	}
}

// Arithmetic: 2 s at 1 ms are 2000 of 8192 samples, 24.41 %; so 75.58 % may lie
// before the trigger, 75 % in whole percent: 6144 samples, 6.144 s, and 2.048 s after.
func TestPreTriggerShare(t *testing.T) {
	a := plan.Ask{Memory: perChannel(8192), Channels: 8, Before: 6 * time.Second, After: 2 * time.Second, Base: ms}
	p := must(t, a)
	if p.Interval != ms || p.Share != 75 || p.Trigger != 6144 || p.Before != 6144*ms || p.After != 2048*ms {
		t.Errorf("%+v", p)
	}
	want := []string{
		"Sample interval: 976.6 µs would just fill the memory; 1 ms is the next that fits of what the recorder offers.",
		"Pre-trigger share: 75.59 % became 75 %, in steps of 1 %.",
	}
	if !slices.Equal(p.Rounded, want) {
		t.Errorf("rounded: %q", p.Rounded)
	}
	a.ShareStep = 10 // 70 % of 8192 is 5734, too little; so it takes 2 ms: 4096 ms after, 4096 samples by 10 %
	if p := must(t, a); p.Interval != 2*ms || p.Share != 80 || p.Trigger != 6553 {
		t.Errorf("%+v", p)
	}
	a.ShareStep, a.Adjustable = 25, true // 6000 + 2000 samples at 1 ms, divided exactly
	if p := must(t, a); p.Interval != ms || p.Samples != 8000 || p.Share != 75 || p.Trigger != 6000 {
		t.Errorf("%+v", p)
	}
}

// Arithmetic: 7000 samples before and 3000 after are 70 %. At 60 % that takes
// 7000 ÷ 0.6 = 11,667 samples, at 80 % 3000 ÷ 0.2 = 15,000.
func TestAdjustableLength(t *testing.T) {
	a := plan.Ask{Memory: perChannel(20_000), Adjustable: true, Channels: 8, Before: 7 * time.Second, After: 3 * time.Second,
		Intervals: []time.Duration{ms, 2 * ms}, ShareStep: 20,
		Race: plan.Race{Requests: func(c, n int) int { return (c*n + 124) / 125 }, RoundTrip: 5 * ms}}
	if p := must(t, a); p.Samples != 11667 || p.Share != 60 {
		t.Errorf("%+v", p)
	}
	// 11,667 × 8 ÷ 125 are 747 requests, 3.735 s, and 4.667 s after the trigger; at 2 ms half of it, 374 requests.
	a.Race.Reset = 7 * time.Second
	answer, err := plan.Make(a)
	if err != nil || answer.Plan != nil { // how far down is still fine, nobody said
		t.Errorf("coarser than need be without being asked: %v %+v", err, answer.Plan)
	}
	a.Frequency = 100
	if p := must(t, a); p.Interval != 2*ms || p.Requests != 374 || p.Margin() != 7*time.Second-4668*ms-1870*ms {
		t.Errorf("%+v, margin %v", p, p.Margin())
	}
}

// Arithmetic: 65,536 samples shared by 8 channels are 8192 each, by 3 channels
// 21,845; 1000 bytes in channels of 2, 4 and 2 bytes are 125 frames.
func TestMemory(t *testing.T) {
	ones := slices.Repeat([]int{1}, 8)
	for _, c := range []struct {
		m        plan.Memory
		channels int
		want     int
	}{
		{plan.Memory{Size: 65536, Widths: ones}, 8, 8192},
		{plan.Memory{Size: 65536, Widths: ones}, 3, 21845},
		{plan.Memory{Size: 1000, Widths: []int{2, 4, 2}}, 3, 125},
		{plan.Memory{Size: 1000, Widths: []int{2, 4, 2}}, 2, 166},
		{plan.Memory{PerChannel: 4096}, 8, 4096},
		{plan.Memory{}, 8, 0},
	} {
		if got := c.m.Samples(c.channels); got != c.want {
			t.Errorf("%+v with %d channels: %d, want %d", c.m, c.channels, got, c.want)
		}
	}
}

// Arithmetic: 8 × 4096 registers by 125 are 263 requests; at 5 ms 1.315 s; with
// a poll of 250 ms and a commit of 10 ms 1.575 s. At 1 ms, 1 s after the
// trigger needs 1000 of 4096 samples: 75 % before, 3072, and 1.024 s after. A
// reset 3 s after the trip leaves 1.976 s, 0.401 s to spare.
func TestRace(t *testing.T) {
	a := plan.Ask{Memory: perChannel(4096), Channels: 8, Before: 3 * time.Second, After: time.Second, Base: ms,
		Race: plan.Race{Requests: func(c, n int) int { return (c*n + 124) / 125 }, RoundTrip: 5 * ms, Poll: 250 * ms, Commit: 10 * ms, Reset: 3 * time.Second}}
	p := must(t, a)
	if p.Requests != 263 || p.Pull != 1315*ms || p.Need != 1575*ms || p.Stands != 1976*ms || p.Margin() != 401*ms {
		t.Errorf("%+v, margin %v", p, p.Margin())
	}
	a.Race.Reset = 2500 * ms // stands 1.476 s: 99 ms too short
	answer, err := plan.Make(a)
	if err != nil || answer.Plan != nil || len(answer.Conflicts) != 1 ||
		answer.Conflicts[0] != "To keep the recording for certain takes 1.575 s after it is ready; it stands for 1.476 s." {
		t.Fatalf("%v %+v", err, answer)
	}
	// 1.024 + 1.575 s after the trip; a poll of 150 ms is 100 ms shorter; 7 channels are 230 requests, 165 ms less.
	for i, want := range []string{"Hold the reset back until 2.6 s after the trip instead of 2.5 s", "Poll every 150 ms instead of 250 ms"} {
		if got := answer.Trades[i].Changes; len(got) != 1 || got[0] != want {
			t.Errorf("%d: %q", i, got)
		}
	}
	found := slices.IndexFunc(answer.Trades, func(tr plan.Trade) bool { return tr.Changes[0] == "Record 7 channels instead of 8" })
	if found < 0 || answer.Trades[found].Plan.Margin() != 66*ms {
		t.Errorf("%+v", answer.Trades)
	}
	a.Race.Most = 4
	if answer, err = plan.Make(a); err != nil || answer.Trades[1].Changes[0] != "Pull over 2 connections instead of 1, if the drive takes them" {
		t.Errorf("%v %+v", err, answer.Trades)
	}
}

// Arithmetic: 200 Hz by shape takes a sample each millisecond, and so 8 s take
// 8000 samples. With 4096 it is 2 ms, so 100 Hz; or 4.096 s, divided
// three to one; or 2 s after the trigger, 48.8 %, and so 51 % before it.
func TestWhatCantBeHadTogether(t *testing.T) {
	a := plan.Ask{Memory: perChannel(4096), Channels: 8, Before: 6 * time.Second, After: 2 * time.Second, Frequency: 200, Base: ms}
	answer, err := plan.Make(a)
	want := "6 s before and 2 s after the trigger are 8,000 samples a channel at 1 ms, the coarsest that shows 200 Hz by shape; the memory holds 4,096 of 8 channels."
	if err != nil || answer.Plan != nil || len(answer.Conflicts) != 1 || answer.Conflicts[0] != want {
		t.Fatalf("%v %+v", err, answer)
	}
	for i, want := range []string{
		"See 3.072 s before and 1.024 s after the trigger instead of 6 s and 2 s",
		"See 2.088 s before the trigger instead of 6 s", // 51 % of 4096; one percent more leaves less than 2 s
		"Judge by shape up to 100 Hz instead of 200 Hz",
	} {
		if got := answer.Trades[i].Changes; len(got) != 1 || got[0] != want {
			t.Errorf("%d: %q", i, got)
		}
	}
	a.Base = 0 // in two digits there is an interval between
	if answer, err = plan.Make(a); err != nil || answer.Plan != nil || !slices.ContainsFunc(answer.Trades, func(tr plan.Trade) bool {
		return tr.Changes[0] == "Judge by shape up to 100 Hz instead of 200 Hz" && tr.Plan.Interval == 2*ms
	}) {
		t.Errorf("%v %+v", err, answer)
	}
	a.Intervals = []time.Duration{2 * ms, 5 * ms}
	answer, err = plan.Make(a)
	want = "To judge up to 200 Hz by shape takes a sample every 1 ms or finer; the finest that the recorder offers is 2 ms."
	if err != nil || answer.Plan != nil || answer.Conflicts[0] != want {
		t.Fatalf("%v %+v", err, answer)
	}
}

// The published picture of folding: what lies as far above the sample rate's
// half as another below it looks like that one (Shannon 1949; arithmetic).
func TestAlias(t *testing.T) {
	for _, c := range []struct{ f, want float64 }{{900, 100}, {100, 100}, {600, 400}, {1000, 0}, {1050, 50}, {2450, 450}} {
		if got := plan.Alias(c.f, ms); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%v Hz at 1 kHz looks like %v Hz, want %v", c.f, got, c.want)
		}
		// Both are the same samples.
		for k := range 20 {
			at := float64(k) * 0.001
			if a, b := math.Cos(2*math.Pi*c.f*at), math.Cos(2*math.Pi*c.want*at); math.Abs(a-b) > 1e-9 {
				t.Errorf("%v and %v Hz differ at sample %d: %v, %v", c.f, c.want, k, a, b)
			}
		}
	}
}

// What can't be is one sentence that begins with the input's name.
func TestInputsThatCantBe(t *testing.T) {
	good := plan.Ask{Memory: perChannel(4096), Channels: 8, Before: time.Second, After: time.Second}
	for input, spoil := range map[string]func(*plan.Ask){
		"channels":    func(a *plan.Ask) { a.Channels = 0 },
		"memory":      func(a *plan.Ask) { a.Memory = plan.Memory{Size: 8, Widths: slices.Repeat([]int{2}, 8)} },
		"samples":     func(a *plan.Ask) { a.Memory.PerChannel = -1 },
		"before":      func(a *plan.Ask) { a.Before = -1 },
		"after":       func(a *plan.Ask) { a.After = 2 * time.Hour },
		"frequency":   func(a *plan.Ask) { a.Frequency = math.NaN() },
		"judge-by":    func(a *plan.Ask) { a.Use = "ear" },
		"intervals":   func(a *plan.Ask) { a.Intervals = []time.Duration{0} },
		"base":        func(a *plan.Ask) { a.Base = 1 },
		"share-step":  func(a *plan.Ask) { a.ShareStep = math.Inf(1) },
		"round-trip":  func(a *plan.Ask) { a.Race.RoundTrip = -1 },
		"poll":        func(a *plan.Ask) { a.Race.Poll = -1 },
		"reset-after": func(a *plan.Ask) { a.Race.Reset = -1 },
		"commit":      func(a *plan.Ask) { a.Race.Commit = -1 },
		"connections": func(a *plan.Ask) { a.Race.Connections = -1 },
	} {
		a := good
		spoil(&a)
		_, err := plan.Make(a)
		var wrong *plan.InputError
		if !errors.As(err, &wrong) || wrong.Input != input || strings.ContainsAny(err.Error(), "\n!") || strings.HasSuffix(err.Error(), ".") {
			t.Errorf("%s: %v", input, err)
		}
	}
	if _, err := plan.Make(good); err != nil {
		t.Error(err)
	}
}

func TestWords(t *testing.T) {
	for _, c := range [][2]string{
		{plan.Span(250 * time.Microsecond), "250 µs"}, {plan.Span(976562), "976.6 µs"}, {plan.Span(8192 * ms), "8.192 s"},
		{plan.Span(-99 * ms), "−99 ms"}, {plan.Span(0), "0 s"}, {plan.Hertz(0.1220703125), "0.1221 Hz"}, {plan.Hertz(1250), "1.25 kHz"},
		{plan.Hertz(390.625), "390.6 Hz"}, {plan.Count(65536), "65,536"}, {plan.Count(999), "999"}, {plan.Span(time.Hour), "3600 s"},
	} {
		if c[0] != c[1] {
			t.Errorf("%q, want %q", c[0], c[1])
		}
	}
}
