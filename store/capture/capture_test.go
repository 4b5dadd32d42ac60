package capture_test

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"faultkeep/store/capture"
)

var at = time.Date(2026, 11, 25, 3, 12, 7, 410e6, time.UTC)

func TestIDs(t *testing.T) {
	id := capture.NewID(at, "Bucket elevator", "17")
	if ok, _ := regexp.MatchString(`^20261125-031207-bucket-elevator-[a-z2-7]{4}$`, string(id)); !ok {
		t.Errorf("ID %s", id)
	}
	oslo := time.FixedZone("Oslo", 3600)
	if other := capture.NewID(at.In(oslo), "Bucket elevator", "17"); other != id {
		t.Errorf("the same moment in another zone: %s, %s", other, id)
	}
	for name, other := range map[string]capture.ID{
		"identity": capture.NewID(at, "Bucket elevator", "18"),
		"time":     capture.NewID(at.Add(time.Millisecond), "Bucket elevator", "17"),
		"drive":    capture.NewID(at, "bucket-elevator", "17"), // the same slug
	} {
		if other == id {
			t.Errorf("another %s, the same ID %s", name, id)
		}
	}
	var ids []string
	for _, d := range []time.Duration{0, time.Second, time.Minute, time.Hour, 24 * time.Hour, 40 * 24 * time.Hour, 400 * 24 * time.Hour} {
		for _, drive := range []string{"zulu"} {
			ids = append(ids, string(capture.NewID(at.Add(d), drive, "1")))
		}
	}
	if !slices.IsSorted(ids) {
		t.Errorf("IDs don't sort by time: %v", ids)
	}
}

func TestSlug(t *testing.T) {
	for name, want := range map[string]string{
		"Bucket elevator":              "bucket-elevator",
		"  Belt #3 / north ":           "belt-3-north",
		"Lüfter":                       "l-fter",
		"---":                          "drive",
		"":                             "drive",
		"日本":                           "drive",
		strings.Repeat("ab", 30):       strings.Repeat("ab", 20),
		strings.Repeat("a ", 30):       strings.Repeat("a-", 20)[:39],
		strings.Repeat("x", 39) + " y": strings.Repeat("x", 39),
	} {
		got := capture.Slug(name)
		if got != want {
			t.Errorf("Slug(%q) = %q, want %q", name, got, want)
		}
		if len(got) > 40 || strings.HasPrefix(got, "-") || strings.HasSuffix(got, "-") {
			t.Errorf("Slug(%q) = %q", name, got)
		}
	}
}

func partial(index int, have ...capture.Range) capture.Capture {
	return capture.Capture{
		Trigger:   capture.Trigger{Index: index},
		Timing:    capture.Timing{Samples: 2000, Interval: 0.001},
		Encoding:  capture.Encoding{Order: capture.Interleaved, Samples: 2000, Channels: []capture.Coding{{Type: capture.Int16, Scale: 1}}},
		Integrity: capture.Integrity{Size: 4000, Have: have},
	}
}

func TestWholeness(t *testing.T) {
	whole := partial(1500, capture.Range{Start: 0, End: 4000})
	whole.Integrity.Whole = true
	for want, c := range map[string]capture.Capture{
		"whole": whole,
		// samples 700…1800 of 1 ms, the trigger at 1500
		"partial, −0.8…+0.3 s":         partial(1500, capture.Range{Start: 1400, End: 3602}),
		"partial, 0…+0.499 s":          partial(1500, capture.Range{Start: 3000, End: 4000}),
		"partial, −1.5…0 s":            partial(1500, capture.Range{Start: 0, End: 3002}),
		"partial, without the trigger": partial(1500, capture.Range{Start: 0, End: 3000}),
	} {
		if got := c.Wholeness(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if got := partial(1500).Wholeness(); got != "partial, without the trigger" {
		t.Errorf("nothing there: %q", got)
	}
}

func TestTimes(t *testing.T) {
	c := partial(1500)
	if d := c.Timing.Duration(); d != 2 {
		t.Errorf("duration %v", d)
	}
	if from, to := c.At(0), c.At(1999); from != -1.5 || fmt.Sprintf("%.3f", to) != "0.499" {
		t.Errorf("from %v to %v", from, to)
	}
	c.Trigger.Earliest, c.Trigger.Latest = at, at.Add(260*time.Millisecond)
	if u := c.Trigger.Uncertainty(); u != 130*time.Millisecond {
		t.Errorf("uncertainty %v", u)
	}
	if c.Name() != "" {
		t.Errorf("name %q", c.Name())
	}
	c.Drive = "elevator"
	if c.Name() != "elevator" {
		t.Errorf("name %q", c.Name())
	}
	if c.Title = "Bucket elevator"; c.Name() != "Bucket elevator" {
		t.Errorf("name %q", c.Name())
	}
}

func TestFaultInWords(t *testing.T) {
	for want, f := range map[string]capture.Fault{
		"Continuous overcurrent, output 1 (2311)": {Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1"},
		"Unknown fault (F07)":                     {Code: 7, Shown: "F07"},
		"Unknown fault (77)":                      {Code: 77},
		"Fault without a code":                    {},
		"Emergency stop":                          {Name: "Emergency stop"},
	} {
		if got := f.String(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func TestSeverityRanks(t *testing.T) {
	if !(capture.Info.Rank() < capture.Warning.Rank() && capture.Warning.Rank() < capture.Alarm.Rank()) {
		t.Error("severities are out of order")
	}
	if capture.Severity("").Rank() != capture.Alarm.Rank() {
		t.Error("an unknown severity might not be told")
	}
}

// A record with two rates: three samples 1 ms apart, then three 10 ms apart.
func TestTimesOfSeveralRates(t *testing.T) {
	c := capture.Capture{
		Timing: capture.Timing{Samples: 6, Interval: 0.001,
			Rates: []capture.Rate{{End: 3, Interval: 0.001}, {End: 6, Interval: 0.01}}},
		Trigger: capture.Trigger{Index: 2},
	}
	for i, want := range []float64{-0.002, -0.001, 0, 0.001, 0.011, 0.021, 0.031} {
		if got := c.At(i); math.Abs(got-want) > 1e-12 {
			t.Errorf("sample %d is at %v s, want %v", i, got, want)
		}
	}
	if got := c.At(-1); math.Abs(got+0.003) > 1e-12 {
		t.Errorf("before the record: %v s, want -0.003", got)
	}
	if got := c.Timing.Duration(); math.Abs(got-0.033) > 1e-12 {
		t.Errorf("duration %v s, want 0.033", got)
	}
}
