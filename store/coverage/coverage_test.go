package coverage_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"faultkeep/store/capture"
	"faultkeep/store/coverage"
)

var night = time.Date(2026, 11, 24, 18, 0, 0, 0, time.UTC)

func at(minutes int) time.Time { return night.Add(time.Duration(minutes) * time.Minute) }

func spell(from, to int, cause capture.Cause) capture.Spell {
	sp := capture.Spell{Drive: "slew", From: at(from), Cause: cause, Text: string(cause)}
	if to != 0 {
		sp.To = at(to)
	}
	return sp
}

// facts of any kind: spells overlap, end before they begin, stay open.
func facts(t *rapid.T) coverage.Facts {
	causes := []capture.Cause{capture.CauseNotArmed, capture.CauseUnreachable, capture.CauseNotRunning, capture.CauseRefused, "", "a cause of tomorrow"}
	spells := func(name string, n int) []capture.Spell {
		return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) capture.Spell {
			sp := spell(rapid.IntRange(-50, 150).Draw(t, "from"), 0, rapid.SampledFrom(causes).Draw(t, "cause"))
			if rapid.IntRange(0, 4).Draw(t, "ends") > 0 {
				sp.To = sp.From.Add(time.Duration(rapid.IntRange(-20, 60).Draw(t, "minutes")) * time.Minute)
			}
			return sp
		}), 0, n).Draw(t, name)
	}
	now := rapid.IntRange(0, 120).Draw(t, "now")
	return coverage.Facts{Drive: "slew", Known: spells("known", 3), Blind: spells("blind", 8), Drift: spells("drift", 4),
		Now: at(now), Alive: at(now - rapid.IntRange(-5, 20).Draw(t, "asleep"))}
}

func covers(sp capture.Spell, t time.Time) bool {
	return !t.Before(sp.From) && (sp.To.IsZero() || t.Before(sp.To))
}

// stateAt says in the plainest way what holds at a moment.
func stateAt(f coverage.Facts, t time.Time) coverage.State {
	if !t.Before(f.Now) {
		return coverage.Unclaimed
	}
	state := coverage.Unclaimed
	for _, k := range f.Known {
		if covers(k, t) {
			state = coverage.Watched
		}
	}
	if state == coverage.Unclaimed {
		return state
	}
	rank := map[coverage.State]int{coverage.Watched: 0, coverage.NotArmed: 1, coverage.Unreachable: 2, coverage.NotRunning: 3}
	if !t.Before(f.Alive) {
		state = coverage.NotRunning
	}
	for _, b := range f.Blind {
		if s := coverage.Of(b.Cause); covers(b, t) && rank[s] > rank[state] {
			state = s
		}
	}
	return state
}

func TestIntervalsAddUpToThePeriod(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := facts(t)
		from := rapid.IntRange(-100, 200).Draw(t, "from")
		to := rapid.IntRange(from, 250).Draw(t, "to")
		c := f.Over(at(from), at(to))
		next, sum := at(from), time.Duration(0)
		for _, i := range c.Intervals {
			if !i.From.Equal(next) || !i.To.After(i.From) {
				t.Fatalf("%v–%v follows on %v", i.From, i.To, next)
			}
			next = i.To
		}
		if !next.Equal(at(to)) {
			t.Fatalf("they end at %v, not at %v", next, at(to))
		}
		for _, s := range coverage.States {
			sum += c.Total(s)
		}
		if sum != c.To.Sub(c.From) || sum != at(to).Sub(at(from)) {
			t.Fatalf("the states add up to %v of %v", sum, at(to).Sub(at(from)))
		}
		shares := 0.0
		for _, s := range coverage.States[:4] {
			share, ok := c.Share(s)
			if ok != (c.Counted() > 0) {
				t.Fatal("a share of nothing")
			}
			shares += share
		}
		if c.Counted() > 0 && (shares < 1-1e-12 || shares > 1+1e-12) {
			t.Fatalf("the shares add up to %v", shares)
		}
		for _, i := range c.Intervals {
			for m := i.From; m.Before(i.To); m = m.Add(30 * time.Second) {
				if want := stateAt(f, m); want != i.State {
					t.Fatalf("at %v it is %q, want %q", m, i.State, want)
				}
			}
		}
		for k, d := range c.Drifts {
			if !d.To.After(d.From) || d.From.Before(c.From) || d.To.After(c.To) || k > 0 && d.From.Before(c.Drifts[k-1].To) {
				t.Fatalf("drifts %v", c.Drifts)
			}
		}
	})
}

// How a time is cut into periods changes nothing.
func TestCutsChangeNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := facts(t)
		from, to := at(rapid.IntRange(-100, 0).Draw(t, "from")), at(rapid.IntRange(1, 250).Draw(t, "to"))
		cut := from.Add(time.Duration(rapid.Int64Range(0, int64(to.Sub(from))).Draw(t, "cut")))
		whole, first, second := f.Over(from, to), f.Over(from, cut), f.Over(cut, to)
		for _, s := range coverage.States {
			if whole.Total(s) != first.Total(s)+second.Total(s) {
				t.Fatalf("%q: %v isn't %v + %v", s, whole.Total(s), first.Total(s), second.Total(s))
			}
		}
		if diff := cmp.Diff(whole.Intervals, join(first.Intervals, second.Intervals)); diff != "" {
			t.Fatalf("intervals (-whole +joined):\n%s", diff)
		}
		if diff := cmp.Diff(whole.Drifts, join(first.Drifts, second.Drifts)); diff != "" {
			t.Fatalf("drifts (-whole +joined):\n%s", diff)
		}
	})
}

// join mends the one interval that a cut went through.
func join(a, b []coverage.Interval) []coverage.Interval {
	out := append([]coverage.Interval{}, a...)
	for _, i := range b {
		if n := len(out); n > 0 {
			same := i
			same.From, same.To, same.Open = out[n-1].From, out[n-1].To, out[n-1].Open
			if out[n-1] == same && out[n-1].To.Equal(i.From) {
				out[n-1].To, out[n-1].Open = i.To, i.Open // only what reaches to now goes on
				continue
			}
		}
		out = append(out, i)
	}
	return out
}

func TestANightInWords(t *testing.T) {
	oslo := zone(t, "Europe/Oslo")
	// 20 hours less 9 minutes of 20 hours: 1 − 9/1200 = 99.25 %.
	f := coverage.Facts{Drive: "slew", Known: []capture.Spell{spell(-9000, 0, "")}, Now: at(1200), Alive: at(1200),
		Blind: []capture.Spell{spell(482, 491, capture.CauseUnreachable)}}
	if got, want := f.Over(at(0), at(1200)).Words(oslo), "watched 99.2 %; blind 03:02–03:11, unreachable"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	for want, c := range map[string]coverage.Facts{
		"watched 100 %":                                                                                            {Known: f.Known, Now: f.Now, Alive: f.Alive},
		"not known: it wasn't in the config":                                                                       {Now: f.Now, Alive: f.Alive},
		"watched 0 %; blind Tue 24 Nov 19:00–now, not armed":                                                       {Known: f.Known, Now: f.Now, Alive: f.Alive, Blind: []capture.Spell{spell(-60, 0, capture.CauseNotArmed)}},
		"watched 50.0 %; blind 05:00–now, faultkeep was not running":                                               {Known: f.Known, Now: f.Now, Alive: at(600)},
		"watched 99.9 %; blind 19:10:00–19:10:01, unreachable":                                                     {Known: f.Known, Now: f.Now, Alive: f.Alive, Blind: []capture.Spell{{From: at(10), To: at(10).Add(time.Second), Cause: capture.CauseUnreachable}}},
		"watched 75.0 %; blind Tue 24 Nov 20:00–Wed 25 Nov 01:00, refused by the drive":                            {Known: f.Known, Now: f.Now, Alive: f.Alive, Blind: []capture.Spell{spell(60, 360, capture.CauseRefused)}},
		"watched 98.7 %; blind 19:10–19:13, not armed; 19:20–19:23, not armed; 19:30–19:33, not armed; and 2 more": {Known: f.Known, Now: f.Now, Alive: f.Alive, Blind: []capture.Spell{spell(10, 13, capture.CauseNotArmed), spell(20, 23, capture.CauseNotArmed), spell(30, 33, capture.CauseNotArmed), spell(40, 43, capture.CauseNotArmed), spell(50, 53, capture.CauseNotArmed)}},
		"watched 0 %; blind Tue 24 Nov 19:00–now, a cause of tomorrow":                                             {Known: f.Known, Now: f.Now, Alive: f.Alive, Blind: []capture.Spell{spell(-60, 0, "a cause of tomorrow")}},
		"watched under 0.1 %; blind Tue 24 Nov 19:00–Wed 25 Nov 14:59, unreachable":                                {Known: f.Known, Now: f.Now, Alive: f.Alive, Blind: []capture.Spell{{From: at(0), To: at(1200).Add(-time.Second), Cause: capture.CauseUnreachable}}},
	} {
		if got := c.Over(at(0), at(1200)).Words(oslo); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// A night of 22:00 to 06:00 lasts 7 or 9 hours when the clocks change. In 2026
// Europe/Oslo changes them at 01:00 UTC on 29 March and on 25 October (the IANA
// time zone database).
func TestNightsOfSevenAndNineHours(t *testing.T) {
	oslo := zone(t, "Europe/Oslo")
	for _, c := range []struct {
		month    time.Month
		day      int
		long     time.Duration
		from, to time.Time // blind
		words    string
	}{
		{time.March, 28, 7 * time.Hour, time.Date(2026, 3, 29, 0, 30, 0, 0, time.UTC), time.Date(2026, 3, 29, 1, 12, 0, 0, time.UTC),
			"watched 90.0 %; blind 01:30 CET–03:12 CEST, unreachable"}, // 42 of 420 minutes
		{time.October, 24, 9 * time.Hour, time.Date(2026, 10, 25, 0, 50, 0, 0, time.UTC), time.Date(2026, 10, 25, 1, 44, 0, 0, time.UTC),
			"watched 90.0 %; blind 02:50 CEST–02:44 CET, unreachable"}, // 54 of 540 minutes
	} {
		from := time.Date(2026, c.month, c.day, 22, 0, 0, 0, oslo)
		to := time.Date(2026, c.month, c.day+1, 6, 0, 0, 0, oslo)
		f := coverage.Facts{Known: []capture.Spell{{From: from.Add(-time.Hour)}}, Now: to, Alive: to,
			Blind: []capture.Spell{{From: c.from, To: c.to, Cause: capture.CauseUnreachable}}}
		got := f.Over(from, to)
		if got.Counted() != c.long || got.Words(oslo) != c.words {
			t.Errorf("%v: %v, %q, want %q", c.month, got.Counted(), got.Words(oslo), c.words)
		}
	}
}

// Times that no clock should show must not overflow a duration or loop.
func TestAbsurdTimes(t *testing.T) {
	wild := []time.Time{{}, time.Date(1, 1, 1, 0, 0, 0, 1, time.UTC), time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC), time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC), night, time.Unix(math.MinInt64, 0)}
	for _, a := range wild {
		for _, b := range wild {
			for _, c := range wild {
				f := coverage.Facts{Known: []capture.Spell{{From: a, To: b}, {From: b}}, Blind: []capture.Spell{{From: b, To: c}, {From: c}}, Drift: []capture.Spell{{From: c, To: a}}, Now: c, Alive: b}
				got := f.Over(a, b)
				var sum time.Duration
				for _, s := range coverage.States {
					sum += got.Total(s)
				}
				if sum < 0 || sum != got.To.Sub(got.From) {
					t.Errorf("%v %v %v: %v of %v", a, b, c, sum, got.To.Sub(got.From))
				}
			}
		}
	}
}

// A month of a drive that comes and goes every five seconds is still quick.
func BenchmarkFlappingMonth(b *testing.B) {
	f := coverage.Facts{Known: []capture.Spell{{From: night}}, Now: at(30 * 24 * 60), Alive: at(30 * 24 * 60)}
	for t := night; t.Before(f.Now); t = t.Add(10 * time.Second) {
		f.Blind = append(f.Blind, capture.Spell{From: t, To: t.Add(5 * time.Second), Cause: capture.CauseUnreachable})
	}
	for b.Loop() {
		if share, _ := f.Over(time.Time{}, time.Time{}).Share(coverage.Watched); share != 0.5 {
			b.Fatal(fmt.Sprint(share))
		}
	}
}
