package web_test

import (
	"bytes"
	"context"
	"encoding/binary"
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

func askB(b *testing.B, h http.Handler, path string) int {
	b.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequestWithContext(b.Context(), http.MethodGet, "http://127.0.0.1:8417"+path, nil))
	return w.Code
}
