package web_test

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/report"
	"faultkeep/daemon/web"
	"faultkeep/store/capture"
)

type figuresSaid struct {
	Over    string
	Samples int
	Delta   *float64
	Rows    []struct {
		Difference, Mean, RMS, Low, High string
		Gone                             int
		Exact                            map[string]*float64
	}
}

func gets[T any](t *testing.T, h http.Handler, path string) (v T) {
	t.Helper()
	w := ask(t, h, "GET", path, "")
	if err := json.Unmarshal(w.Body.Bytes(), &v); w.Code != 200 || err != nil {
		t.Fatalf("%s: %d %v %s", path, w.Code, err, w.Body)
	}
	return v
}

// plain is what a first-year student would compute, over samples first…last.
func plain(s capture.Series, first, last int) (mean, rms, low, high float64, n int) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, x := range s[first : last+1] {
		if !math.IsNaN(x) {
			mean, rms, low, high, n = mean+x, rms+x*x, math.Min(low, x), math.Max(high, x), n+1
		}
	}
	return mean / float64(n), math.Sqrt(rms / float64(n)), low, high, n
}

func TestFiguresOverHTTP(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	h := web.New(p.options())
	for _, c := range caps[:2] {
		_, series, err := archivePages(p, c)
		if err != nil {
			t.Fatal(err)
		}
		zero := c.Trigger.Index
		for query, span := range map[string][2]int{
			"a=-0.2&b=0.1": {zero - 200, zero + 100}, "a=0.1&b=-0.2": {zero - 200, zero + 100}, "a=-0.20049&b=0.1004": {zero - 200, zero + 100}, // the nearest samples
			"from=-0.2&to=0.1": {zero - 200, zero + 99}, "from=-0.2&to=0.1&a=0": {zero - 200, zero + 99}, "": {0, len(series[0]) - 1}, "a=-99&b=99": {0, len(series[0]) - 1},
		} {
			got := gets[figuresSaid](t, h, "/capture/"+string(c.ID)+"/figures.json?"+query)
			if got.Samples != span[1]-span[0]+1 || strings.Count(query, "a=")+strings.Count(query, "b=") == 2 != (got.Over == "between the lines") {
				t.Errorf("%s: %d samples %s", query, got.Samples, got.Over)
			}
			for ch := range 7 {
				mean, rms, low, high, n := plain(series[ch], span[0], span[1])
				exact := got.Rows[ch].Exact
				if math.Abs(*exact["mean"]-mean) > 1e-9 || math.Abs(*exact["rms"]-rms) > 1e-9 || *exact["low"] != low || *exact["high"] != high || got.Rows[ch].Gone != got.Samples-n {
					t.Errorf("%s, channel %d: %+v, want %v %v %v %v", query, ch, got.Rows[ch], mean, rms, low, high)
				}
				if want := report.Readout(c.Channels[ch], mean); got.Rows[ch].Mean != want {
					t.Errorf("mean %q, want %q", got.Rows[ch].Mean, want)
				}
			}
			if word := got.Rows[7]; word.Mean != "–" || word.Exact["mean"] != nil {
				t.Errorf("a word has a mean: %+v", word)
			}
		}
		got := gets[figuresSaid](t, h, "/capture/"+string(c.ID)+"/figures.json?from=7&to=8")
		if got.Samples != 0 || got.Rows[0].Mean != "–" || got.Delta != nil {
			t.Errorf("of nothing: %+v", got)
		}
	}
}

// Lines snap to the nearest sample, or to the sample near them that stands out.
func TestSnap(t *testing.T) {
	p := newPlant(t, "Northquay")
	c := p.night(t)[0]
	_, series, err := archivePages(p, c)
	if err != nil {
		t.Fatal(err)
	}
	h := web.New(p.options())
	at := func(q string) int {
		t.Helper()
		return gets[struct{ Index int }](t, h, "/capture/"+string(c.ID)+"/at.json?"+q).Index
	}
	zero := c.Trigger.Index
	for q, want := range map[string]int{"t=0.0104": zero + 10, "t=0.0106": zero + 11, "t=-9": 0, "t=9": len(series[0]) - 1} {
		if got := at(q); got != want {
			t.Errorf("%s: sample %d, want %d", q, got, want)
		}
	}
	peak := zero - 50
	for i := zero - 50; i <= zero+50; i++ { // the current rises until the trip: its highest stands out
		if series[2][i] > series[2][peak] {
			peak = i
		}
	}
	if got := at("t=0&near=2&within=0.05"); got != peak {
		t.Errorf("near the trip the current stands out at sample %d, want %d", got, peak)
	}
}

// The drive hunts at 8.4 Hz, which is how the simulated signal was made.
func TestSpectrumOverHTTP(t *testing.T) {
	p := newPlant(t, "Northquay")
	c := p.night(t)[2]
	h := web.New(p.options())
	type said struct {
		Words  string
		Step   float64
		Lines  int
		Curves []struct {
			Amplitude []float64
			Peaks     []string
			Why       string
		}
	}
	got := gets[said](t, h, "/capture/"+string(c.ID)+"/spectrum.json?from=-1.4&to=0&channels=1,7")
	most := 1
	for k, a := range got.Curves[0].Amplitude {
		if k > 0 && a > got.Curves[0].Amplitude[most] {
			most = k
		}
	}
	if f := float64(most) * got.Step; math.Abs(f-8.4) > got.Step || len(got.Curves[0].Amplitude) != got.Lines {
		t.Errorf("the highest line is at %v Hz", f)
	}
	// 1,400 samples in segments of 256, one every 128: (1400−256)/128+1 = 9 of them.
	has(t, got.Words, "Resolution 3.91 Hz up to 500 Hz", "Hann window, 9 segments of 256 samples")
	if got.Curves[1].Why == "" {
		t.Error("a word of bits has a spectrum")
	}
	if got := gets[said](t, h, "/capture/"+string(c.ID)+"/spectrum.json?from=0&to=0.005&channels=1"); len(got.Curves) != 0 || !strings.Contains(got.Words, "fewer than 16 samples") {
		t.Errorf("of five samples: %+v", got)
	}
	part := gets[said](t, h, "/capture/"+string(p.someOfIt(t).ID)+"/spectrum.json?channels=1")
	if part.Curves[0].Why != "not every sample shown is a number" {
		t.Errorf("of what was read in part: %+v", part)
	}
}

func (p *plant) someOfIt(t *testing.T) capture.Capture {
	c, data := trip("fan", "Aeration fan", morning.Add(-time.Minute), overcurrent, "jam")
	return p.keep(t, c, data, 300)
}

// traceOf keeps a trace of a capture's trip as the watch makes them: its first
// channel is the time, unevenly spaced.
func (p *plant) traceOf(t testing.TB, c capture.Capture, after time.Duration) capture.Capture {
	t.Helper()
	const n, trigger = 40, 24
	float := capture.Coding{Type: capture.Float64, Scale: 1}
	tr := capture.Capture{ID: c.ID.TraceID(), Origin: capture.Trace, Of: c.ID, Drive: c.Drive, Title: c.Title, Fault: c.Fault,
		Trigger:    capture.Trigger{Time: c.Trigger.Time.Add(after), Latest: c.Trigger.Time.Add(after), Index: trigger},
		Timing:     capture.Timing{Samples: n, Interval: 0.25},
		Channels:   []capture.Channel{{Name: "time from the trip", Unit: "s", Role: capture.RoleOther}, {Name: "Speed", Unit: "rpm", Role: capture.RoleSpeed}, {Name: "Output current", Unit: "A", Role: capture.RoleCurrent}},
		Encoding:   capture.Encoding{Order: capture.Interleaved, Channels: []capture.Coding{float, float, float}, Samples: n},
		Provenance: capture.Provenance{Source: "modbus", Address: "10.20.0.11:502/1", Identity: "trace " + string(c.ID)},
		Integrity:  capture.Integrity{Whole: true, Verified: []string{"sampled by faultkeep at every poll"}}}
	var data []byte
	for i := range n {
		at := (float64(i-trigger) + 0.3*math.Sin(float64(i))) * 0.25
		for _, v := range []float64{at, 1448 * math.Min(1, math.Exp(-at*1.2)), 42} {
			data = binary.BigEndian.AppendUint64(data, math.Float64bits(v))
		}
	}
	tr.Integrity.Size = int64(len(data))
	return p.keep(t, tr, data, 0)
}

func TestWaveMeta(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	p.traceOf(t, caps[0], 250*time.Millisecond)
	h := web.New(p.options())
	type meta struct {
		From, To float64
		Lanes    [][]int
		Channels []struct {
			Name string
			Bits []struct{ Name string }
			Gaps [][2]float64
		}
		Beside *struct {
			Self   string
			Offset float64
		}
	}
	got := gets[meta](t, h, "/capture/"+string(caps[0].ID)+"/wave.json")
	if math.Abs(got.From+1.4) > 1e-12 || math.Abs(got.To-0.648) > 1e-12 || fmt.Sprint(got.Lanes) != "[[0 1] [2] [3] [4] [5] [6] [7]]" || len(got.Channels[7].Bits) != 4 || got.Channels[2].Gaps != nil {
		t.Errorf("%+v", got)
	}
	if got.Beside == nil || got.Beside.Offset != 0.25 || got.Beside.Self != "/capture/"+string(caps[0].ID.TraceID()) {
		t.Errorf("beside: %+v", got.Beside)
	}
	part := gets[meta](t, h, "/capture/"+string(caps[1].ID)+"/wave.json")
	if gaps := part.Channels[2].Gaps; len(gaps) != 2 || gaps[0][0] != part.From || math.Abs(gaps[0][1]+0.8) > 1e-12 || part.Beside != nil {
		t.Errorf("gaps %v", gaps)
	}
	trace := gets[meta](t, h, got.Beside.Self+"/wave.json")
	if fmt.Sprint(trace.Lanes) != "[[1] [2]]" || math.Abs(trace.From+24*0.25-0.3*math.Sin(0)*0.25) > 1e-12 || trace.Beside != nil {
		t.Errorf("the trace's lanes: %+v", trace)
	}
	// By its own times and not by the average: sample 30 is at (6 + 0.3·sin 30)·0.25 s.
	if at := gets[struct{ T float64 }](t, h, got.Beside.Self+"/at.json?t=1.43"); math.Abs(at.T-(6+0.3*math.Sin(30))*0.25) > 1e-12 {
		t.Errorf("the trace's sample is at %v s", at.T)
	}
}
