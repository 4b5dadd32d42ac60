package recurrence_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"faultkeep/daemon/analysis/recurrence"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Skip(err)
	}
	return z
}

var start = time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC) // a Monday

func after(days float64) time.Time { return start.Add(time.Duration(days * 24 * float64(time.Hour))) }

func span(from, to float64) recurrence.Span { return recurrence.Span{From: after(from), To: after(to)} }

func afters(days ...float64) (out []time.Time) {
	for _, d := range days {
		out = append(out, after(d))
	}
	return out
}

// Spans in any order, overlapping, touching, empty or backwards.
func TestExposureJoins(t *testing.T) {
	e := recurrence.Watched([]recurrence.Span{span(10, 12), span(0, 4), span(3, 5), span(5, 6), span(8, 7), span(9, 9)})
	near(t, "days", e.Days(), 8, 1e-12)
	for at, want := range map[float64]float64{0: 0, 4.5: 4.5, 6: 6, 10: 6, 11: 7, 12: 8} {
		if got, ok := e.At(after(at)); !ok || math.Abs(got-want) > 1e-12 {
			t.Errorf("on day %v: %v, %v", at, got, ok)
		}
	}
	for _, at := range []float64{-1, 6.5, 8, 13} {
		if _, ok := e.At(after(at)); ok {
			t.Errorf("day %v was watched", at)
		}
	}
	near(t, "between", e.Between(after(2), after(11)).Days(), 5, 1e-12)
	near(t, "open", e.Between(time.Time{}, time.Time{}).Days(), 8, 1e-12)
	ages := recurrence.Watched([]recurrence.Span{{From: time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC), To: time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC)}})
	near(t, "2,000 years", ages.Days(), 730485, 1e-12)
}

// However the watched time is cut, the days and the place of an event in them
// stay the same.
func TestCutsOfExposureChangeNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cut := rapid.Float64Range(0.01, 9.99).Draw(t, "cut")
		whole := recurrence.Watched([]recurrence.Span{span(0, 10)})
		parts := recurrence.Watched([]recurrence.Span{span(cut, 10), span(0, cut)})
		x := after(rapid.Float64Range(0, 10).Draw(t, "event"))
		a, _ := whole.At(x)
		b, ok := parts.At(x)
		if !ok || a != b || whole.Days() != parts.Days() {
			t.Fatal(a, b, ok)
		}
	})
}

// Edge cases stand, or say why they can't; all of it is valid JSON.
func TestEdgeCases(t *testing.T) {
	watched := []recurrence.Span{span(0, 30)}
	for name, c := range map[string]struct {
		times   []time.Time
		watched []recurrence.Span
		want    string
	}{
		"nothing at all":     {nil, nil, "Nothing was watched, so there is no rate."},
		"no event":           {nil, watched, "No trip in 30 days watched: 95 % sure of less than one in 10 days."},
		"no exposure":        {afters(1, 2), nil, "Nothing was watched, so there is no rate; 2 trips are known of."},
		"one event":          {afters(4), watched, "1 trip in 30 days watched: one in 30 days (95 % bounds 5.4 days to 1,185 days)."},
		"few":                {afters(4, 5), watched, "2 trips are too few to tell a trend or a habit."},
		"outside":            {afters(4, 99), watched, "1 more came while nobody was watching; the rate doesn't count it."},
		"all at the start":   {afters(0, 0, 0, 0, 0), watched, "5 trips in 30 days watched"},
		"all at the end":     {afters(30, 30, 30, 30), watched, "They come more and more often"},
		"a moment's watch":   {afters(0, 0, 0, 0, 0), []recurrence.Span{{From: start, To: start.Add(1)}}, "5 trips in"},
		"events unsorted":    {afters(20, 3, 11, 7), watched, "No trend can be told (Laplace U = −"},
		"zero times and far": {[]time.Time{{}, time.Unix(1<<40, 0)}, watched, "2 more came"},
	} {
		r := recurrence.Analyse(c.times, c.watched, recurrence.Options{})
		if !strings.Contains(strings.Join(r.Text, "\n"), c.want) {
			t.Errorf("%s: %q, want %q", name, r.Text, c.want)
		}
		if r.Events+r.Outside != len(c.times) {
			t.Errorf("%s: %d in, %d out", name, r.Events, r.Outside)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		for _, at := range []time.Time{after(-5), after(0), after(15), after(40)} {
			if _, err := json.Marshal(recurrence.Judge(c.times, c.watched, at)); err != nil {
				t.Errorf("%s: repair: %v", name, err)
			}
		}
	}
}

// A gap in watching neither adds to the rate nor bends the trend.
func TestOnlyWatchedTimeCounts(t *testing.T) {
	even := recurrence.Analyse(afters(1, 3, 5, 7, 9), []recurrence.Span{span(0, 10)}, recurrence.Options{})
	gap := recurrence.Analyse(afters(1, 3, 105, 107, 109), []recurrence.Span{span(0, 4), span(104, 110)}, recurrence.Options{})
	if even.Trend.U != 0 || math.Abs(gap.Trend.U) > 1e-12 || *even.Rate != *gap.Rate {
		t.Errorf("%+v %+v against %+v %+v", even.Rate, even.Trend, gap.Rate, gap.Trend)
	}
}

func TestGroups(t *testing.T) {
	e := func(day float64, drive, fault, family string) recurrence.Event {
		return recurrence.Event{Time: after(day), Drive: drive, Fault: fault, Family: family}
	}
	got := recurrence.Groups([]recurrence.Event{e(3, "fan", "F1", "a"), e(1, "fan", "F1", "b"), e(2, "fan", "", ""), e(5, "belt", "F1", "a"), e(0, "fan", "F1", "a")})
	var names []string
	for _, g := range got {
		b, _ := json.Marshal(g.Key)
		names = append(names, string(b))
		if !slices.IsSortedFunc(g.Times, time.Time.Compare) {
			t.Error(g)
		}
		names = append(names, strings.Repeat("|", len(g.Times)))
	}
	want := []string{`{"drive":"belt"}`, "|", `{"drive":"belt","coded":true,"fault":"F1"}`, "|", `{"drive":"belt","coded":true,"fault":"F1","family":"a"}`, "|",
		`{"drive":"fan"}`, "||||", `{"drive":"fan","coded":true}`, "|", `{"drive":"fan","coded":true,"fault":"F1"}`, "|||",
		`{"drive":"fan","coded":true,"fault":"F1","family":"a"}`, "||", `{"drive":"fan","coded":true,"fault":"F1","family":"b"}`, "|"}
	if !slices.Equal(names, want) {
		t.Errorf("%q", names)
	}
}

// Both clock changes, in a zone that changes by an hour, one that changes by
// half an hour, one that changes at midnight, and one that left out a day: every moment counts once.
func TestClockChanges(t *testing.T) {
	for _, c := range []struct {
		zone     string
		from, to string // local days
		hours    float64
		at       float64 // hour of the day
		share    float64 // hours watched within it
	}{
		{"Europe/Oslo", "2026-03-29", "2026-03-30", 23, 2, 0},
		{"Europe/Oslo", "2026-10-25", "2026-10-26", 25, 2, 2},
		{"Europe/Oslo", "2026-10-25", "2026-10-26", 25, 3, 1},
		{"Europe/Oslo", "2026-06-01", "2026-06-02", 24, 2, 1},
		{"Australia/Lord_Howe", "2026-10-04", "2026-10-05", 23.5, 2, 0.5},
		{"Australia/Lord_Howe", "2026-04-05", "2026-04-06", 24.5, 1, 1.5},
		{"America/Asuncion", "2023-09-30", "2023-10-02", 47, 0, 1},
		{"Pacific/Apia", "2011-12-29", "2011-12-31", 24, 12, 1},
	} {
		z := zone(t, c.zone)
		from, _ := time.ParseInLocation(time.DateOnly, c.from, z)
		to, _ := time.ParseInLocation(time.DateOnly, c.to, z)
		e := recurrence.Watched([]recurrence.Span{{From: from, To: to}})
		near(t, c.zone+" "+c.from, e.Days()*24, c.hours, 1e-12)
		clock := e.Clock(z)
		if got := clock.Share(c.at*3600, (c.at+1)*3600) * c.hours; math.Abs(got-c.share) > 1e-9 {
			t.Errorf("%s %s: %v h within hour %v, want %v", c.zone, c.from, got, c.at, c.share)
		}
		sum := 0.0
		for h := range 24 {
			sum += clock.Share(float64(h)*3600, float64(h+1)*3600)
		}
		near(t, "all hours", sum, 1, 1e-12)
		near(t, "over midnight", clock.Share(22*3600, 6*3600)+clock.Share(6*3600, 22*3600), 1, 1e-12)
	}
}

// The shares of hours and weekdays, against a count of every minute.
func TestClockAgainstEveryMinute(t *testing.T) {
	z := zone(t, "Europe/Oslo")
	rng := rand.New(rand.NewPCG(3, 1))
	var spans []recurrence.Span
	minute := time.Date(2026, 3, 20, 0, 0, 0, 0, time.UTC)
	var hours [24]float64
	var weekdays [7]float64
	total := 0.0
	for range 30 {
		minute = minute.Add(time.Duration(rng.IntN(3000)) * time.Minute)
		from := minute
		for range 1 + rng.IntN(20000) {
			local := minute.In(z)
			hours[local.Hour()]++
			weekdays[local.Weekday()]++
			total++
			minute = minute.Add(time.Minute)
		}
		spans = append(spans, recurrence.Span{From: from, To: minute})
	}
	clock := recurrence.Watched(spans).Clock(z)
	for h, want := range hours {
		near(t, "hour", clock.Share(float64(h)*3600, float64(h+1)*3600), want/total, 1e-9)
	}
	for d, want := range weekdays {
		near(t, "weekday", clock.Weekday(time.Weekday(d)), want/total, 1e-9)
	}
}

// What was put in is found, in words that name it.
func TestClustersAreFound(t *testing.T) {
	z := zone(t, "Europe/Oslo")
	watched := []recurrence.Span{{From: start, To: start.AddDate(1, 0, 0)}}
	var nights, mondays []time.Time
	for week := range 12 {
		d := time.Date(2026, 1, 5+week*28, 0, 0, 0, 0, z) // Mondays over all of the year
		nights = append(nights, time.Date(2026, 1, 6+week*29, 3, 5*(week%9), 0, 0, z))
		mondays = append(mondays, d.Add(time.Duration(week*2+1)*time.Hour))
	}
	for want, times := range map[string][]time.Time{
		"12 of 12 came between 03:00 and 04:00 (Europe/Oslo), in which 4.2 % of the watched time lies": nights,
		"They gather about 03:1":                              nights,
		"12 of 12 came in the night shift, in which 33 % of":  nights,
		"12 of 12 came on a Monday, in which 15 % of the wat": mondays,
	} {
		r := recurrence.Analyse(times, watched, recurrence.Options{Zone: z})
		if text := strings.Join(r.Text, "\n"); !strings.Contains(text, want) {
			t.Errorf("want %q in\n%s", want, text)
		}
	}
	// Watched at night only, trips at night say nothing.
	var onlyNights []recurrence.Span
	for d := range 365 {
		from := time.Date(2026, 1, 1+d, 22, 0, 0, 0, z)
		onlyNights = append(onlyNights, recurrence.Span{From: from, To: from.Add(8 * time.Hour)})
	}
	rng := rand.New(rand.NewPCG(5, 5))
	var spread []time.Time
	for range 40 {
		spread = append(spread, onlyNights[rng.IntN(365)].From.Add(time.Duration(rng.Int64N(int64(8*time.Hour)))))
	}
	if r := recurrence.Analyse(spread, onlyNights, recurrence.Options{Zone: z}); len(r.Clusters) != 0 || r.Events != 40 {
		t.Errorf("%+v", r.Clusters)
	}
}

// Where events come at random over an uneven watch, something is found in at
// most 5 % of cases (to three standard errors of 500 draws), however many
// places are looked at; the same holds for bursts and for the trend.
func TestFalseAlarmsAreBounded(t *testing.T) {
	const draws = 500
	rng := rand.New(rand.NewPCG(11, 4))
	var spans []recurrence.Span
	for d := range 120 { // day shifts on weekdays, and the odd night
		if d%7 < 5 {
			spans = append(spans, span(float64(d)+0.25, float64(d)+0.75))
		}
		if d%9 == 0 {
			spans = append(spans, span(float64(d)+0.8, float64(d)+1.1))
		}
	}
	watched := recurrence.Watched(spans)
	clusters, bursts, trends := 0, 0, 0
	for range draws {
		var times []time.Time
		for n := 4 + rng.IntN(40); len(times) < n; {
			x := after(rng.Float64() * 121)
			if _, ok := watched.At(x); ok {
				times = append(times, x)
			}
		}
		r := recurrence.Analyse(times, spans, recurrence.Options{})
		if len(r.Clusters) > 0 {
			clusters++
		}
		if len(r.Bursts) > 0 {
			bursts++
		}
		if r.Trend.P <= 0.05 {
			trends++
		}
	}
	t.Logf("of %d: clusters %d, bursts %d, trends %d", draws, clusters, bursts, trends)
	most := int(draws*0.05 + 3*math.Sqrt(draws*0.05*0.95))
	if clusters > most || bursts > most || trends > most || trends < draws/50 {
		t.Errorf("of %d: clusters %d, bursts %d, trends %d, at most %d", draws, clusters, bursts, trends, most)
	}
}

func TestBurstsAreFound(t *testing.T) {
	times := afters(3, 20, 41, 60, 60.01, 60.015, 60.03, 75, 90)
	r := recurrence.Analyse(times, []recurrence.Span{span(0, 100)}, recurrence.Options{})
	if len(r.Bursts) != 1 || r.Bursts[0].Events != 4 || !r.Bursts[0].From.Equal(after(60)) || !r.Bursts[0].To.Equal(after(60.03)) {
		t.Fatalf("%+v", r.Bursts)
	}
	if text := strings.Join(r.Text, "\n"); !strings.Contains(text, "4 came in a burst, 6 March 2026 00:00 to 00:43: by chance in") {
		t.Error(text)
	}
}
