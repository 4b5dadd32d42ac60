package plan_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"faultkeep/daemon/analysis/plan"
)

// asks are all kinds of wishes, sensible and not, for all kinds of recorders.
func asks(t *rapid.T) plan.Ask {
	a := plan.Ask{Channels: rapid.IntRange(1, 8).Draw(t, "channels"), Fewest: rapid.IntRange(0, 8).Draw(t, "fewest"),
		Adjustable: rapid.Bool().Draw(t, "adjustable"),
		Before:     time.Duration(rapid.IntRange(0, 20_000).Draw(t, "before")) * time.Millisecond,
		After:      time.Duration(rapid.IntRange(0, 10_000).Draw(t, "after")) * time.Millisecond,
		Use:        rapid.SampledFrom([]plan.Use{"", plan.Shape, plan.Spectrum}).Draw(t, "use"),
		Frequency:  rapid.SampledFrom([]float64{0, 1, 10, 50, 120.5, 400, 5000}).Draw(t, "frequency"),
		ShareStep:  rapid.SampledFrom([]float64{0, 0.1, 1, 5, 12.5, 25}).Draw(t, "share step")}
	n := rapid.IntRange(16, 20_000).Draw(t, "samples")
	if rapid.Bool().Draw(t, "shared") {
		a.Memory = plan.Memory{Size: 16 * int64(n), Widths: rapid.SliceOfN(rapid.SampledFrom([]int{1, 2, 4, 8}), 8, 8).Draw(t, "widths")}
	} else {
		a.Memory.PerChannel = n
	}
	switch rapid.IntRange(0, 2).Draw(t, "offer") {
	case 0:
		a.Base = rapid.SampledFrom([]time.Duration{time.Microsecond, 62500 * time.Nanosecond, 250 * time.Microsecond, time.Millisecond}).Draw(t, "base")
	case 1:
		a.Intervals = rapid.SliceOfN(rapid.SampledFrom([]time.Duration{125 * time.Microsecond, time.Millisecond, 2 * time.Millisecond, 5 * time.Millisecond,
			20 * time.Millisecond, time.Second}), 1, 6).Draw(t, "intervals")
	}
	if rapid.Bool().Draw(t, "race") {
		a.Race = plan.Race{Requests: func(c, n int) int { return 3 + (c*n+124)/125 }, Commit: 10 * time.Millisecond,
			RoundTrip:   time.Duration(rapid.IntRange(0, 20_000).Draw(t, "round trip")) * time.Microsecond,
			Poll:        time.Duration(rapid.IntRange(20, 2000).Draw(t, "poll")) * time.Millisecond,
			Connections: rapid.IntRange(0, 4).Draw(t, "connections"), Most: rapid.IntRange(0, 8).Draw(t, "most"),
			Reset: time.Duration(rapid.IntRange(0, 30_000).Draw(t, "reset")) * time.Millisecond}
	}
	return a
}

// offered tells whether the recorder has that interval.
func offered(a plan.Ask, interval time.Duration) bool {
	switch {
	case len(a.Intervals) > 0:
		return slices.Contains(a.Intervals, interval)
	case a.Base > 0:
		return interval%a.Base == 0
	}
	return interval >= time.Microsecond
}

// holds checks a plan against what was asked, by arithmetic of its own.
func holds(t *rapid.T, a plan.Ask, p plan.Plan) {
	const tiny = 1 + 1e-9
	step := a.ShareStep
	if step == 0 {
		step = 1
	}
	factor := 5.0
	if a.Use == plan.Spectrum {
		factor = 2.56
	}
	rate := 1 / p.Interval.Seconds()
	multiples := p.Share / step
	switch {
	case p.Channels != a.Channels || p.Samples < 1 || p.Samples > a.Memory.Samples(a.Channels) || !a.Adjustable && p.Samples != a.Memory.Samples(a.Channels):
		t.Fatalf("doesn't fit the memory: %+v for %+v", p, a)
	case !offered(a, p.Interval):
		t.Fatalf("%v isn't offered: %+v", p.Interval, a)
	case multiples-float64(int(multiples+0.5)) > 1e-6 || float64(int(multiples+0.5))-multiples > 1e-6 || p.Share < 0 || p.Share >= 100:
		t.Fatalf("a share of %v %% in steps of %v", p.Share, step)
	case p.Trigger < 0 || p.Trigger >= p.Samples || p.Before != time.Duration(p.Trigger)*p.Interval || p.Before+p.After != p.Duration ||
		p.Duration != time.Duration(p.Samples)*p.Interval:
		t.Fatalf("times don't add up: %+v", p)
	case p.Before < a.Before || p.After < a.After:
		t.Fatalf("shorter than asked: %+v for %+v", p, a)
	case time.Duration(p.Samples-int(math.Ceil(p.Share/100*float64(p.Samples)-1e-6)))*p.Interval < a.After:
		t.Fatalf("a drive that rounds up would record too little after the trigger: %+v", p)
	case a.Frequency*factor > rate*tiny:
		t.Fatalf("%v Hz can't be judged at %v", a.Frequency, p.Interval)
	case p.Resolution*p.Duration.Seconds() > tiny || p.Resolution*p.Duration.Seconds() < 1/tiny:
		t.Fatalf("a resolution of %v Hz in %v", p.Resolution, p.Duration)
	}
	r := a.Race
	if r.Requests == nil || r.RoundTrip == 0 {
		return
	}
	each := (p.Requests + max(1, r.Connections) - 1) / max(1, r.Connections)
	need := r.Poll + time.Duration(each)*r.RoundTrip + r.Commit
	if p.Requests != r.Requests(p.Channels, p.Samples) || p.Need != need || r.Reset > 0 && r.Reset < p.After+need {
		t.Fatalf("the race: %+v for %+v", p, a)
	}
}

// Every plan, and every trade-off, fits the memory and does what was asked of it.
func TestPlansHold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := asks(t)
		answer, err := plan.Make(a)
		if err != nil {
			return
		}
		if answer.Plan != nil {
			holds(t, a, *answer.Plan)
			if len(answer.Trades)+len(answer.Conflicts) > 0 {
				t.Fatalf("a plan and conflicts: %+v", answer)
			}
			return
		}
		if len(answer.Conflicts) == 0 || len(answer.Trades) > plan.MostTrades {
			t.Fatalf("no plan, and %+v", answer)
		}
		for i, tr := range answer.Trades {
			holds(t, tr.Asked(), tr.Plan)
			b := tr.Asked()
			if b.Channels > a.Channels || b.Channels < min(a.Channels, max(1, a.Fewest)) || b.Before > a.Before || b.After > a.After || b.Frequency > a.Frequency ||
				b.Race.Poll > a.Race.Poll || b.Race.Connections > max(1, a.Race.Connections, a.Race.Most) || tr.GivenUp < -1e-9 {
				t.Fatalf("trades in something that wasn't asked: %+v for %+v", tr, a)
			}
			if i > 0 && len(answer.Trades[i-1].Changes) > len(tr.Changes) {
				t.Fatalf("more changes rank before fewer: %+v", answer.Trades)
			}
		}
	})
}

// The least of a thing is given up: one step less of it, and there is no plan.
func TestTradesGiveUpTheLeast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := asks(t)
		answer, err := plan.Make(a)
		if err != nil {
			return
		}
		for _, tr := range answer.Trades {
			b := tr.Asked()
			if len(tr.Changes) != 1 {
				continue
			}
			switch {
			case b.Channels < a.Channels:
				b.Channels++
			case b.Race.Connections > max(1, a.Race.Connections):
				b.Race.Connections--
			case b.Before < a.Before && b.After == a.After:
				b.Before += a.Before/1000 + time.Microsecond
			default:
				continue
			}
			if more, err := plan.Make(b); err == nil && more.Plan != nil {
				t.Fatalf("%q, but %+v would do: %+v", tr.Changes, b, more.Plan)
			}
		}
	})
}

// More memory never costs a plan or makes it coarser; more to be seen never
// makes it finer; a slower drive never makes the race easier.
func TestPlansAreMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := asks(t)
		a.Memory, a.Race.Reset = perChannel(rapid.IntRange(16, 20_000).Draw(t, "per channel")), 0
		small, err := plan.Make(a)
		if err != nil || small.Plan == nil {
			return
		}
		longer := a
		longer.Before += time.Duration(rapid.IntRange(0, 5000).Draw(t, "longer")) * time.Millisecond
		if l, err := plan.Make(longer); err == nil && l.Plan != nil && l.Plan.Interval < small.Plan.Interval {
			t.Fatalf("longer and finer: %+v, before %+v", l.Plan, small.Plan)
		}
		slower := a
		slower.Race.RoundTrip += time.Duration(rapid.IntRange(0, 5000).Draw(t, "slower")) * time.Microsecond
		if s, err := plan.Make(slower); err != nil || s.Plan == nil || s.Plan.Need < small.Plan.Need {
			t.Fatalf("slower and easier: %v %+v, before %+v", err, s.Plan, small.Plan)
		}
		bigger := a
		bigger.Memory.PerChannel += rapid.IntRange(0, 20_000).Draw(t, "more")
		if b, err := plan.Make(bigger); err != nil || b.Plan == nil || b.Plan.Interval > small.Plan.Interval {
			t.Fatalf("more memory and coarser: %v %+v, before %+v", err, b, small.Plan)
		}
	})
}
