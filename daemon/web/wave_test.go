package web_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/report"
	"faultkeep/daemon/web"
	"faultkeep/store/capture"
)

// decoded is an envelope as its documentation says it is to be read.
type decoded struct {
	samples  bool
	columns  int
	from, to float64
	times    []float64
	channels []int
	digital  []bool
	numbers  [][][2]float64 // base added
	words    [][][2]uint32
}

func decode(t *testing.T, b []byte) (d decoded) {
	t.Helper()
	le, at := binary.LittleEndian, 0
	u16 := func() int { at += 2; return int(le.Uint16(b[at-2:])) }
	u32 := func() uint32 { at += 4; return le.Uint32(b[at-4:]) }
	f64 := func() float64 { at += 8; return math.Float64frombits(le.Uint64(b[at-8:])) }
	if string(b[:4]) != "FKEN" {
		t.Fatalf("it begins with %q", b[:4])
	}
	at = 4
	if v := u16(); v != 1 {
		t.Fatalf("version %d", v)
	}
	d.samples = u16() == 1
	n := int(u32())
	d.columns = int(u32())
	d.from, d.to = f64(), f64()
	var bases []float64
	for range n {
		d.channels = append(d.channels, int(u32()))
		d.digital = append(d.digital, u32() == 1)
		bases = append(bases, f64())
	}
	for range d.columns {
		if d.samples {
			d.times = append(d.times, f64())
		}
	}
	for i := range n {
		var numbers [][2]float64
		var words [][2]uint32
		for range d.columns {
			a, b := u32(), u32()
			numbers = append(numbers, [2]float64{bases[i] + float64(math.Float32frombits(a)), bases[i] + float64(math.Float32frombits(b))})
			words = append(words, [2]uint32{a, b})
		}
		d.numbers, d.words = append(d.numbers, numbers), append(d.words, words)
	}
	if at != len(b) {
		t.Fatalf("%d bytes, of which %d are read", len(b), at)
	}
	return d
}

// What comes over HTTP, read by its documentation, is the plain scan of what is stored.
func TestEnvelopeOverHTTP(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	h := web.New(p.options())
	for _, c := range caps[:2] { // whole, and in part
		_, series, err := archivePages(p, c)
		if err != nil {
			t.Fatal(err)
		}
		const from, to, width = -1.2, 0.5, 137
		path := fmt.Sprintf("captures/%s/envelope?from=%v&to=%v&width=%d&channels=2,7", c.ID, from, to, width)
		w := ask(t, h, "GET", "/api/v1/"+path, "", "Authorization", token)
		own := ask(t, h, "GET", strings.Replace("/"+path, "captures", "capture", 1), "")
		if w.Code != 200 || !bytes.Equal(w.Body.Bytes(), own.Body.Bytes()) || w.Header().Get("Content-Type") != "application/vnd.faultkeep.envelope" {
			t.Fatalf("%d %v, the page's own %d", w.Code, w.Header(), own.Code)
		}
		d := decode(t, w.Body.Bytes())
		if d.samples || d.columns != width || d.from != from || d.to != to || fmt.Sprint(d.channels, d.digital) != "[2 7] [false true]" {
			t.Fatalf("%+v", d)
		}
		empty := 0
		for k := range width {
			low, high := math.Inf(1), math.Inf(-1)
			all, anyOf := ^uint32(0), uint32(0)
			for i := range series[2] {
				at := c.At(i)
				if math.IsNaN(series[2][i]) || at < from+(to-from)*(float64(k)/width) || at >= from+(to-from)*(float64(k+1)/width) {
					continue
				}
				low, high = math.Min(low, series[2][i]), math.Max(high, series[2][i])
				all, anyOf = all&uint32(series[7][i]), anyOf|uint32(series[7][i])
			}
			got := d.numbers[0][k]
			switch none := low > high; {
			case none != math.IsNaN(got[0]), none && d.words[1][k] != [2]uint32{math.MaxUint32, 0}:
				t.Fatalf("column %d: %v, %v", k, got, d.words[1][k])
			case none:
				empty++
			case math.Abs(got[0]-low) > 1e-5 || math.Abs(got[1]-high) > 1e-5 || d.words[1][k] != [2]uint32{all, anyOf}:
				t.Fatalf("column %d: %v %v, want %v…%v %v %v", k, got, d.words[1][k], low, high, all, anyOf)
			}
		}
		if (empty > 0) == c.Integrity.Whole {
			t.Errorf("%s: %d columns are empty", c.Wholeness(), empty)
		}
	}
}

func TestEnvelopeOfFewSamplesHasThemAll(t *testing.T) {
	p := newPlant(t, "Northquay")
	c := p.night(t)[0]
	_, series, err := archivePages(p, c)
	if err != nil {
		t.Fatal(err)
	}
	d := decode(t, ask(t, web.New(p.options()), "GET", fmt.Sprintf("/capture/%s/envelope?from=-0.0105&to=0.0105&width=800&channels=1", c.ID), "").Body.Bytes())
	if !d.samples || d.columns != 23 { // −11…11 ms: one beyond either end
		t.Fatalf("%+v", d)
	}
	for k, at := range d.times {
		i := c.Trigger.Index - 11 + k
		if at != c.At(i) || math.Abs(d.numbers[0][k][0]-series[1][i]) > 1e-4 {
			t.Errorf("sample %d is %v at %v", i, d.numbers[0][k], at)
		}
	}
}

func TestEnvelopeIsAskedForOnce(t *testing.T) {
	p := newPlant(t, "Northquay")
	c := p.night(t)[0]
	h := web.New(p.options())
	path := "/capture/" + string(c.ID) + "/envelope?width=300"
	tag := ask(t, h, "GET", path, "").Header().Get("ETag")
	if w := ask(t, h, "GET", path, "", "If-None-Match", tag); tag == "" || w.Code != http.StatusNotModified || w.Body.Len() > 0 {
		t.Errorf("asked again with %q: %d, %d bytes", tag, w.Code, w.Body.Len())
	}
	for _, other := range []string{"&channels=1", "1", "&from=0&to=1"} {
		if w := ask(t, h, "GET", path+other, "", "If-None-Match", tag); w.Code != http.StatusOK {
			t.Errorf("%s: %d", other, w.Code)
		}
	}
}

func TestWaveQuestionsThatMakeNoSense(t *testing.T) {
	p := newPlant(t, "Northquay")
	c := p.night(t)[0]
	h := web.New(p.options())
	for _, q := range []string{"envelope?from=x", "envelope?from=NaN&to=1", "envelope?from=1&to=1", "envelope?from=2&to=1", "envelope?from=-1e308&to=1e308", "envelope?to=-Inf",
		"envelope?width=0", "envelope?width=-3", "envelope?width=8193", "envelope?width=1e3", "envelope?width=99999999999999999999", "envelope?channels=8", "envelope?channels=-1",
		"envelope?channels=1,1", "envelope?channels=1,", "envelope?channels=one", "envelope?channels=" + strings.Repeat("1,", 5000) + "1",
		"at.json", "at.json?t=x", "at.json?t=0&near=9&within=1", "at.json?t=0&near=1", "at.json?t=0&near=1&within=-1", "at.json?t=0&near=1&within=NaN",
		"figures.json?from=1&to=0", "figures.json?a=x", "figures.json?b=Inf", "spectrum.json?channels=77", "spectrum.json?from=0&to=x"} {
		w := ask(t, h, "GET", "/capture/"+string(c.ID)+"/"+q, "")
		said := strings.TrimSpace(w.Body.String())
		if w.Code != http.StatusBadRequest || len(said) < 20 || len(said) > 200 || strings.Contains(said, "\n") || !strings.HasSuffix(said, ".") {
			t.Errorf("%.60s: %d %.300q", q, w.Code, said)
		}
	}
	if w := ask(t, h, "GET", "/api/v1/captures/"+string(c.ID)+"/envelope?width=0", "", "Authorization", token); w.Code != 400 || !strings.Contains(w.Body.String(), `"kind":"request"`) {
		t.Errorf("the API says %d %s", w.Code, w.Body)
	}
	if w := ask(t, h, "GET", "/api/v1/captures/"+string(c.ID)+"/envelope", ""); w.Code != http.StatusUnauthorized {
		t.Errorf("without its token the API answers %d", w.Code)
	}
	for _, path := range []string{"envelope", "wave.json", "at.json?t=0", "figures.json", "spectrum.json"} {
		if w := ask(t, h, "GET", "/capture/20991231/"+path, ""); w.Code != http.StatusNotFound || strings.Contains(w.Body.String(), "<") {
			t.Errorf("%s of no capture: %d %s", path, w.Code, w.Body)
		}
	}
}

// slowStore counts how often samples are read, and takes its time.
type slowStore struct {
	web.Store
	reads atomic.Int32
}

func (s *slowStore) Original(ctx context.Context, id capture.ID, part string) ([]byte, []capture.Range, error) {
	s.reads.Add(1)
	select {
	case <-time.After(100 * time.Millisecond):
	case <-ctx.Done():
		return nil, nil, ctx.Err()
	}
	return s.Store.Original(ctx, id, part)
}

// Ten who open the same capture at once have it read and built once, and one
// of them who goes away takes it from none of the others.
func TestTenClientsOneBuild(t *testing.T) {
	p := newPlant(t, "Northquay")
	c := p.night(t)[0]
	slow := &slowStore{Store: archive.Pages(p.store)}
	o := p.options()
	o.Store = slow
	h := web.New(o)
	gone, leave := context.WithCancel(context.Background())
	var wait sync.WaitGroup
	for i := range 10 {
		wait.Go(func() {
			ctx := context.Background()
			if i == 0 {
				ctx = gone
			} else {
				time.Sleep(30 * time.Millisecond) // after the one who goes away
			}
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequestWithContext(ctx, "GET", "http://127.0.0.1/capture/"+string(c.ID)+"/envelope", nil))
			if i > 0 && w.Code != http.StatusOK {
				t.Errorf("%d: %s", w.Code, w.Body)
			}
		})
	}
	time.Sleep(50 * time.Millisecond)
	leave()
	wait.Wait()
	if n := slow.reads.Load(); n != 1 {
		t.Errorf("the samples were read %d times", n)
	}
}

// A store that fails says so, and is asked again the next time.
func TestWaveOfAStoreThatFails(t *testing.T) {
	p := newPlant(t, "Northquay")
	c := p.night(t)[0]
	o := p.options()
	failing := &failingStore{Store: archive.Pages(p.store), fail: true}
	o.Store = failing
	h := web.New(o)
	path := "/capture/" + string(c.ID) + "/envelope"
	if w := ask(t, h, "GET", path, ""); w.Code != 500 || strings.Contains(w.Body.String(), "torn") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	failing.fail = false
	if w := ask(t, h, "GET", path, ""); w.Code != 200 {
		t.Errorf("afterwards %d %s", w.Code, w.Body)
	}
}

type failingStore struct {
	web.Store
	fail bool
}

func (s *failingStore) Original(ctx context.Context, id capture.ID, part string) ([]byte, []capture.Range, error) {
	if s.fail {
		return nil, nil, errors.New("the page is torn")
	}
	return s.Store.Original(ctx, id, part)
}

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

func askB(b *testing.B, h http.Handler, path string) int {
	b.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequestWithContext(b.Context(), http.MethodGet, "http://127.0.0.1:8417"+path, nil))
	return w.Code
}
