package recurrence_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/analysis/recurrence"
)

// spread are n events evenly between two days.
func spread(n int, from, to float64) (out []time.Time) {
	for i := range n {
		out = append(out, after(from+(to-from)*(float64(i)+0.5)/float64(n)))
	}
	return out
}

// The conditional binomial test: 9 in 30 days against 3 in 60, one-sided
// p=.003856 (SciPy 1.10.1).
func TestRepairAgainstScipy(t *testing.T) {
	r := recurrence.Judge(append(spread(9, 0, 30), spread(3, 30, 90)...), []recurrence.Span{span(0, 90)}, after(30))
	if !r.OK || r.EventsBefore != 9 || r.EventsAfter != 3 {
		t.Fatalf("%+v", r)
	}
	near(t, "luck", r.Luck, .003856, 1e-3)
	near(t, "ratio", *r.Ratio, 3.0/60/(9.0/30), 1e-12)
	if *r.More90 != 0 || *r.More95 != 0 || r.RatioHigh >= 1 || r.RatioMost >= r.RatioHigh || r.RatioLow >= *r.Ratio {
		t.Errorf("%+v", r)
	}
	if text := strings.Join(r.Text, " "); !strings.Contains(text, "9 trips in 30 days watched before the repair, 3 in 60 days watched since.") ||
		!strings.Contains(text, "by luck in 0.39 % of cases. That trips have become rarer is more than 95 % sure: the rate is at most 5") {
		t.Error(text)
	}
}

// By hand: quiet for T after n trips in a time B comes by luck in (B/(B+T))^n,
// so 95 % needs B·(20^(1/n)−1) days. Once those days have passed it is so.
func TestHowManyMoreDays(t *testing.T) {
	for _, n := range []int{1, 2, 5, 40} {
		events := spread(n, 0, 30)
		r := recurrence.Judge(events, []recurrence.Span{span(0, 33)}, after(30))
		near(t, "luck", r.Luck, math.Pow(30.0/33, float64(n)), 1e-9)
		near(t, "90 %", *r.More90, max(0, 30*(math.Pow(10, 1/float64(n))-1)-3), 1e-9)
		near(t, "95 %", *r.More95, max(0, 30*(math.Pow(20, 1/float64(n))-1)-3), 1e-9)
		later := recurrence.Judge(events, []recurrence.Span{span(0, 33+*r.More95)}, after(30))
		if *r.More95 > 0 {
			near(t, "luck then", later.Luck, 0.05, 1e-6)
		}
	}
	r := recurrence.Judge(append(spread(6, 0, 30), after(33)), []recurrence.Span{span(0, 40)}, after(30))
	later := recurrence.Judge(append(spread(6, 0, 30), after(33)), []recurrence.Span{span(0, 40+*r.More90)}, after(30))
	near(t, "luck with one trip since", later.Luck, 0.10, 1e-6)
	if text := strings.Join(r.Text, " "); !strings.Contains(text, "more watched without a trip make it 90 % sure that trips have become rarer") {
		t.Error(text)
	}
}

func TestRepairsThatCantBeJudged(t *testing.T) {
	watched := []recurrence.Span{span(0, 60)}
	for name, c := range map[string]struct {
		times   []time.Time
		watched []recurrence.Span
		at      float64
		want    string
	}{
		"nothing since":  {spread(5, 0, 60), watched, 60, "Nothing was watched since the repair, so nothing can be said about it."},
		"nothing before": {spread(5, 0, 60), watched, -1, "Nothing was watched before the repair, so nothing can be said about it."},
		"quiet before":   {spread(5, 30, 60), watched, 30, "Without a trip before the repair, the count can't tell whether it helped."},
		"worse":          {append(spread(2, 0, 30), spread(12, 30, 60)...), watched, 30, "They come more often since: 6.0 times as often"},
		"unseen":         {append(spread(9, 0, 30), after(99)), watched, 30, "1 more came while nobody was watching and doesn't count."},
		"half sure":      {spread(2, 0, 30), []recurrence.Span{span(0, 100)}, 30, "more than 90 % sure; "},
	} {
		r := recurrence.Judge(c.times, c.watched, after(c.at))
		if text := strings.Join(r.Text, " "); !strings.Contains(text, c.want) {
			t.Errorf("%s: %q", name, text)
		}
	}
}

// Where a repair changes nothing, it is called 95 % sure to have helped in at
// most 5 % of cases, even by somebody who waits for that and looks every day.
func TestQuietIsRarelyMistaken(t *testing.T) {
	const draws = 2000
	rng := rand.New(rand.NewPCG(8, 2))
	mistaken := 0
	for range draws {
		var times []time.Time
		for x := rng.ExpFloat64() * 5; x < 30; x += rng.ExpFloat64() * 5 {
			times = append(times, after(x))
		}
		quiet := rng.ExpFloat64() * 5 // until the first trip since
		if r := recurrence.Judge(times, []recurrence.Span{span(0, 30+quiet)}, after(30)); r.OK && r.Luck <= 0.05 {
			mistaken++
		}
	}
	if most := int(draws*0.05 + 3*math.Sqrt(draws*0.05*0.95)); mistaken > most || mistaken < draws/50 {
		t.Errorf("%d of %d, at most %d", mistaken, draws, most)
	}
}
