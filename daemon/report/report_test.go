package report_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/report"
	"faultkeep/store/capture"
)

var update = flag.Bool("update", false, "write the goldens anew")

// belt is a short capture of an invented belt conveyor at Northquay.
func belt(samples int) (capture.Capture, []capture.Series) {
	at := time.Date(2026, 11, 25, 2, 12, 7, 410e6, time.UTC)
	c := capture.Capture{
		Schema: capture.Schema, ID: capture.NewID(at, "belt-3", "17"), Site: "Northquay", Drive: "belt-3", Title: "Belt 3",
		Fault:   capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1"},
		Trigger: capture.Trigger{Time: at, Earliest: at, Latest: at, Index: samples * 2 / 3},
		Timing:  capture.Timing{Samples: samples, Interval: 0.001},
		Channels: []capture.Channel{
			{Name: "Output current", Unit: "A", Role: capture.RoleCurrent},
			{Name: "Speed", Unit: "rpm", Role: capture.RoleSpeed},
			{Name: "Speed setpoint", Unit: "rpm", Role: capture.RoleSetpoint},
			{Name: "Status", Role: capture.RoleDigital, Bits: []string{"run", "", "fault"}},
		},
		Integrity: capture.Integrity{Whole: true},
	}
	s := make([]capture.Series, 4)
	for i := range s {
		s[i] = make(capture.Series, samples)
	}
	for k := range samples {
		t := c.At(k)
		s[0][k], s[1][k], s[2][k], s[3][k] = 40, 1450, 1450, 1
		if t > -0.02 {
			s[0][k] = 40 + 4000*(t+0.02)
			s[1][k] = 1450 - 8000*(t+0.02)
		}
		if t >= 0 {
			s[3][k] = 4
		}
	}
	return c, s
}

// wellFormed reads the picture with an XML parser that isn't ours and returns its texts.
func wellFormed(t *testing.T, svg []byte) string {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(svg))
	var text strings.Builder
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return text.String()
		}
		if err != nil {
			t.Fatalf("not well-formed: %v\n%.2000s", err, svg)
		}
		switch tok := tok.(type) {
		case xml.CharData:
			text.Write(tok)
			text.WriteByte('\n')
		case xml.StartElement:
			for _, a := range tok.Attr {
				if a.Name.Local == "style" || strings.HasPrefix(a.Name.Local, "on") {
					t.Errorf("attribute %s=%q: pages forbid it", a.Name.Local, a.Value)
				}
				if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
					t.Errorf("<%s %s=%q>", tok.Name.Local, a.Name.Local, a.Value)
				}
			}
		}
	}
}

func TestGolden(t *testing.T) {
	c, s := belt(60)
	got := report.Lanes(c, s, report.Options{Width: 600})
	wellFormed(t, got)
	pretty := bytes.ReplaceAll(got, []byte("><"), []byte(">\n<"))
	const file = "testdata/belt.svg"
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, pretty, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if want = bytes.ReplaceAll(want, []byte("\r\n"), []byte("\n")); !bytes.Equal(pretty, want) {
		t.Errorf("picture changed; look at it, then run with -update\n%s", pretty)
	}
}

var path = regexp.MustCompile(`class="line ([a-z-]+)" data-channel="\d+" d="([^"]*)"`)

// heights are the y coordinates of a role's curve.
func heights(t *testing.T, svg []byte, role string) []float64 {
	t.Helper()
	for _, m := range path.FindAllSubmatch(svg, -1) {
		if string(m[1]) != role {
			continue
		}
		fields := strings.FieldsFunc(string(m[2]), func(r rune) bool { return strings.ContainsRune("MLh ", r) })
		var ys []float64
		for i := 1; i < len(fields); i += 2 {
			y, err := strconv.ParseFloat(fields[i], 64)
			if err != nil {
				t.Fatal(err)
			}
			ys = append(ys, y)
		}
		return ys
	}
	t.Fatalf("no curve %s in\n%.1500s", role, svg)
	return nil
}

// Min-max decimation keeps each bucket's extremes (common practice for fault
// records; Steinarsson's largest-triangle thinning can drop a lone spike).
func TestSpikeSurvives(t *testing.T) {
	const n = 1_000_000
	c, s := belt(n)
	for i := range s[0] {
		s[0][i] = 40
	}
	for _, where := range []int{0, 1, n/2 + 1, 333_333, n - 1} {
		s[0][where] = 400
		top := math.Inf(1)
		ys := heights(t, report.Lanes(c, s[:1], report.Options{Width: 900, Height: 100}), "current")
		for _, y := range ys {
			top = math.Min(top, y)
		}
		if top > 15 {
			t.Errorf("lanes: spike at sample %d is lost: highest point at %.1f of 100 px", where, top)
		}
		if len(ys) > 2*900 {
			t.Errorf("lanes: %d points for 900 columns", len(ys))
		}
		m := regexp.MustCompile(`class="line current" transform="[^"]*" d="([^"]*)"`).FindSubmatch(report.Small(c, s[:1], 240, 60))
		if m == nil || !regexp.MustCompile(`[ ML]\d+(\.\d)? 0[ L"]`).Match(append(m[1], '"')) {
			t.Errorf("small: spike at sample %d is lost", where)
		}
		s[0][where] = 40
	}
}

// A bit set for one sample in a million must still be a bar.
func TestPulseSurvives(t *testing.T) {
	c, s := belt(1_000_000)
	for i := range s[3] {
		s[3][i] = 0
	}
	s[3][777_777] = 4
	c.Channels, s = c.Channels[3:], s[3:]
	svg := string(report.Lanes(c, s, report.Options{Width: 900}))
	if n := strings.Count(svg, `class="on mixed"`); n != 1 {
		t.Errorf("%d bars for one pulse", n)
	}
}

func TestOddSeries(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	cases := map[string]capture.Series{
		"all NaN":       {nan, nan, nan},
		"infinities":    {inf, -inf, 1, inf},
		"only infinite": {inf, inf},
		"constant":      {5, 5, 5, 5},
		"zeros":         {0, 0, 0, 0},
		"one sample":    {7},
		"empty":         {},
		"huge":          {-math.MaxFloat64, math.MaxFloat64, 0},
		"tiny":          {5e-324, 0, 5e-324},
		"large, steady": {1e300, 1e300},
		"with a hole":   {1, 2, nan, nan, 3, 4},
	}
	for name, series := range cases {
		for _, role := range []capture.Role{capture.RoleCurrent, capture.RoleDigital, "invented"} {
			for _, index := range []int{-5, 0, 2, 99} {
				c := capture.Capture{ID: "x", Drive: "fan", Trigger: capture.Trigger{Index: index},
					Timing:    capture.Timing{Samples: len(series), Interval: 0.01},
					Channels:  []capture.Channel{{Name: name, Role: role}},
					Integrity: capture.Integrity{Whole: index == 0}}
				for _, o := range []report.Options{{}, {Width: 1}, {From: -0.01, To: 0.01}, {From: 5, To: 6}, {From: nan, To: inf}, {From: -inf, To: inf}, {Standalone: true}} {
					text := wellFormed(t, report.Lanes(c, []capture.Series{series}, o))
					if !strings.Contains(text, name) {
						t.Errorf("%s: name missing", name)
					}
				}
				wellFormed(t, report.Small(c, []capture.Series{series}, 240, 60))
			}
		}
	}
	for _, interval := range []float64{0, -1, nan, inf, 5e-324, 1e300} {
		c, s := belt(30)
		c.Timing.Interval = interval
		wellFormed(t, report.Lanes(c, s, report.Options{From: -1, To: 1}))
	}
	c, s := belt(30)
	c.Channels = nil
	if text := wellFormed(t, report.Lanes(c, s, report.Options{})); !strings.Contains(text, "No channels") {
		t.Error("a capture without channels must say so")
	}
	wellFormed(t, report.Small(capture.Capture{}, nil, 0, 0))
}

func TestHostileNames(t *testing.T) {
	evil := `</title><script>alert(1)</script>"'&` + "\x00\xff]]>"
	c, s := belt(40)
	c.ID, c.Title, c.Fault.Name, c.Integrity = capture.ID(evil), evil, evil, capture.Integrity{}
	for i := range c.Channels {
		c.Channels[i].Name, c.Channels[i].Unit = evil, evil
	}
	c.Channels[3].Bits = []string{evil, evil}
	for _, svg := range [][]byte{report.Small(c, s, 240, 60), report.Lanes(c, s, report.Options{Standalone: true})} {
		wellFormed(t, svg)
		if bytes.Contains(svg, []byte("<script")) {
			t.Error("a name became markup")
		}
	}
}

// Data by channel, cut in mid-pull: one channel has a hole that another hasn't.
func TestGapsAreHatched(t *testing.T) {
	c, s := belt(100)
	c.Channels, s = c.Channels[:2], s[:2]
	c.Encoding = capture.Encoding{Order: capture.ByChannel, Samples: 100, Channels: []capture.Coding{{Type: capture.Int16, Scale: 1}, {Type: capture.Int16, Scale: 1}}}
	c.Integrity = capture.Integrity{Size: 400, Have: []capture.Range{{Start: 20, End: 200}, {Start: 200, End: 301}}}
	s[0][50] = math.NaN() // sent by the drive as no number: read, though
	for i := range s {
		for k := range s[i] {
			if i == 0 && k < 10 || i == 1 && k >= 50 {
				s[i][k] = math.NaN()
			}
		}
	}
	svg := string(report.Lanes(c, s, report.Options{Width: 1000}))
	gaps := regexp.MustCompile(`class="gap" fill="[^"]*" x="([^"]*)" y="\d+" width="([^"]*)"`).FindAllStringSubmatch(svg, -1)
	if len(gaps) != 2 || gaps[1][1] != "0%" || gaps[1][2] != "10%" || gaps[0][1] != "50%" || gaps[0][2] != "50%" {
		t.Errorf("gaps at %v, want speed 50–100 %% and current 0–10 %%", gaps)
	}
	if !strings.Contains(svg, "not read") {
		t.Error("the gap isn't named")
	}
	rows := report.Table(c, s)
	if rows[0].Read != "50 of 100 samples" || rows[1].Read != "90 of 100 samples" {
		t.Errorf("read: %q, %q", rows[0].Read, rows[1].Read)
	}
}

func TestSetpointSharesTheLaneOfItsSpeed(t *testing.T) {
	c, s := belt(60)
	lanes := func() int { return strings.Count(string(report.Lanes(c, s, report.Options{})), `class="ground"`) }
	if n := lanes(); n != 3 {
		t.Errorf("%d lanes, want 3", n)
	}
	c.Channels[2].Unit = "Hz"
	if n := lanes(); n != 4 {
		t.Errorf("%d lanes where units differ, want 4", n)
	}
}

func TestZoom(t *testing.T) {
	c, s := belt(3000) // −2…+1 s
	svg := string(report.Lanes(c, s, report.Options{From: -0.1, To: 0.1}))
	for _, want := range []string{`data-from="-0.1"`, `data-to="0.1"`, ">0</text>", ">−0.04</text>"} {
		if !strings.Contains(svg, want) {
			t.Errorf("no %s", want)
		}
	}
	if svg := string(report.Lanes(c, s, report.Options{From: -1.5, To: -1})); strings.Contains(svg, `class="trigger"`) {
		t.Error("the trigger's rule is drawn outside of the view")
	}
}

func BenchmarkLanes(b *testing.B) {
	c, s := belt(1_000_000)
	for b.Loop() {
		report.Lanes(c, s, report.Options{Width: 1500})
	}
}
