package report_test

import (
	"encoding/xml"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/report"
	"faultkeep/store/capture"
	"faultkeep/store/coverage"
)

var noon = time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)

func hours(h float64) time.Time { return noon.Add(time.Duration(h * float64(time.Hour))) }

func blindFor(from, to float64, cause capture.Cause) capture.Spell {
	sp := capture.Spell{From: hours(from), Cause: cause}
	if to > 0 {
		sp.To = hours(to)
	}
	return sp
}

// slewDay is a day of the loader slew with one of everything.
func slewDay() (coverage.Coverage, []report.Mark) {
	f := coverage.Facts{Drive: "slew", Known: []capture.Spell{blindFor(2, 0, "")}, Now: hours(23), Alive: hours(23),
		Blind: []capture.Spell{blindFor(6, 9, capture.CauseUnreachable), blindFor(12, 15, capture.CauseNotArmed), blindFor(18, 19, capture.CauseNotRunning),
			{From: hours(20), To: hours(20).Add(time.Second), Cause: capture.CauseUnreachable}},
		Drift: []capture.Spell{blindFor(10, 16, capture.CauseDrift)}}
	return f.Over(noon, hours(24)), []report.Mark{{At: hours(5), Kind: report.MarkWhole}, {At: hours(16), Kind: report.MarkPartial}, {At: hours(17), Kind: report.MarkMissed},
		{At: hours(17), Kind: report.MarkWhole}, {At: hours(30), Kind: report.MarkMissed}}
}

func TestTimelineGolden(t *testing.T) {
	c, marks := slewDay()
	got := report.Timeline(c, marks, report.TimelineOptions{Name: "Loader slew"})
	wellFormed(t, got)
	const golden = "testdata/timeline.svg"
	if *update {
		if err := os.WriteFile(golden, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil || string(want) != string(got) {
		t.Errorf("%v; the timeline is now\n%s", err, got)
	}
}

// at is where along the timeline, in percent, the rectangles of a class begin and end.
func spans(t *testing.T, svg []byte, class string) (out [][2]float64) {
	t.Helper()
	for _, m := range regexp.MustCompile(`<rect class="`+class+`" x="([0-9.]+)%" width="([0-9.]+)%"`).FindAllSubmatch(svg, -1) {
		x, err := strconv.ParseFloat(string(m[1]), 64)
		if err != nil {
			t.Fatal(err)
		}
		w, err := strconv.ParseFloat(string(m[2]), 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, [2]float64{x, x + w})
	}
	return out
}

func near(a, b float64) bool { return a-b < 0.25 && b-a < 0.25 }

// What is drawn stands where it happened, and a second of blindness in a day shows.
func TestTimelinePlaces(t *testing.T) {
	c, marks := slewDay()
	svg := report.Timeline(c, marks, report.TimelineOptions{Name: "Loader slew"})
	want := [][2]float64{{25, 37.5}, {50, 62.5}, {75, 79.17}, {75, 79.17}, {83.33, 83.54}}
	got := spans(t, svg, "unseen")
	if len(got) != len(want) {
		t.Fatalf("%v, want %v", got, want)
	}
	for k := range want {
		if !near(got[k][0], want[k][0]) || !near(got[k][1], want[k][1]) {
			t.Errorf("%v, want %v", got[k], want[k])
		}
	}
	if seen := spans(t, svg, "seen"); !near(seen[0][0], 100.0*2/24) || !near(seen[len(seen)-1][1], 100.0*23/24) {
		t.Errorf("watched is drawn at %v", seen)
	}
	if drift := spans(t, svg, "drift"); len(drift) != 1 || !near(drift[0][0], 100.0*10/24) || !near(drift[0][1], 100.0*16/24) {
		t.Errorf("the drift is drawn at %v", drift)
	}
	for class, n := range map[string]int{"pin whole": 1, "pin partial": 1, "pin missed": 1} { // the miss hides the capture of the same minute, what lies outside isn't drawn
		if got := strings.Count(string(svg), `class="`+class+`"`); got != n {
			t.Errorf("%d marks %q, want %d", got, class, n)
		}
	}
}

// The text alternative says what the picture shows.
func TestTimelineInWords(t *testing.T) {
	c, marks := slewDay()
	var root struct {
		Label string `xml:"title"`
	}
	if err := xml.Unmarshal(report.Timeline(c, marks, report.TimelineOptions{Name: "Loader slew", Small: true}), &root); err != nil {
		t.Fatal(err)
	}
	// 21 hours known, 7 of them and a second blind.
	const want = "Loader slew, Tue 24 Nov 12:00 to Wed 25 Nov 12:00: watched 66.6 %; blind 18:00–21:00, unreachable; 00:00–03:00, not armed; " +
		"06:00–07:00, faultkeep was not running; and 1 more. 2 kept whole. 1 kept in part. 1 missed. Settings not as wanted Tue 24 Nov 22:00–Wed 25 Nov 04:00."
	if root.Label != want {
		t.Errorf("%q, want %q", root.Label, want)
	}
}

// Ticks stand at the zone's round hours and midnights, whatever its clocks do.
func TestTimelineTicksOverAClockChange(t *testing.T) {
	oslo, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 10, 24, 18, 0, 0, 0, oslo)
	for to, want := range map[time.Time][]string{
		time.Date(2026, 10, 25, 18, 0, 0, 0, oslo): {"0% 18:00", "24% 00:00", "52% 06:00", "76% 12:00"}, // 25 hours; the last hour has its rule alone
		time.Date(2026, 10, 31, 18, 0, 0, 0, oslo): {"3.55% Sun 25", "18.343% Mon 26", "32.544% Tue 27", "46.746% Wed 28", "60.947% Thu 29", "75.148% Fri 30", "89.349% Sat 31"},
	} {
		svg := report.Timeline(coverage.Facts{Now: to, Alive: to}.Over(from, to), nil, report.TimelineOptions{Zone: oslo})
		var got []string
		for _, m := range regexp.MustCompile(`<text class="time(?: alternate)?" x="([^"]*)" dx="3" y="[0-9]+">([^<]*)<`).FindAllSubmatch(svg, -1) {
			got = append(got, string(m[1])+" "+string(m[2]))
		}
		if strings.Join(got, "|") != strings.Join(want, "|") {
			t.Errorf("ticks %q, want %q", got, want)
		}
	}
}

// Nothing that a name or a clock may do breaks a picture or makes it large.
func TestTimelineOddities(t *testing.T) {
	many := coverage.Facts{Known: []capture.Spell{{From: noon}}, Now: hours(24), Alive: hours(24)}
	var marks []report.Mark
	for k := range 20000 {
		many.Blind = append(many.Blind, capture.Spell{From: noon.Add(time.Duration(k) * 4 * time.Second), To: noon.Add(time.Duration(k)*4*time.Second + time.Second), Cause: capture.CauseUnreachable})
		marks = append(marks, report.Mark{At: noon.Add(time.Duration(k) * 4 * time.Second), Kind: report.MarkMissed})
	}
	for name, c := range map[string]coverage.Coverage{
		"flapping": many.Over(noon, hours(24)), "empty": {}, "no time": {From: noon, To: noon}, "backwards": {From: noon, To: hours(-1)},
		"a century": coverage.Facts{Now: noon, Alive: noon}.Over(time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC), noon), "nobody": coverage.Facts{}.Over(time.Time{}, time.Time{}),
	} {
		for _, small := range []bool{false, true} {
			svg := report.Timeline(c, marks, report.TimelineOptions{Name: "</title><script>\x00\u202e\"'&", Small: small})
			wellFormed(t, svg)
			if strings.Contains(string(svg), "<script") || len(svg) > 60_000 {
				t.Errorf("%s: %d bytes", name, len(svg))
			}
		}
	}
	for _, s := range append(coverage.States, coverage.Drifted) {
		wellFormed(t, report.Swatch(s))
	}
	for _, k := range []report.MarkKind{report.MarkWhole, report.MarkPartial, report.MarkMissed} {
		wellFormed(t, report.MarkSwatch(k))
	}
}
