package envelope_test

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"faultkeep/daemon/envelope"
	"faultkeep/store/capture"
)

// record is a capture with numbers and one channel of words.
func record(timing capture.Timing, index int, series ...capture.Series) capture.Capture {
	c := capture.Capture{Timing: timing, Trigger: capture.Trigger{Index: index}}
	for range series {
		c.Channels = append(c.Channels, capture.Channel{Role: capture.RoleOther})
	}
	return c
}

// sample draws numbers as drives send them, and what they never should.
var sample = rapid.Custom(func(t *rapid.T) float64 {
	switch rapid.IntRange(0, 19).Draw(t, "kind") {
	case 0:
		return math.NaN()
	case 1:
		return math.Inf(1)
	case 2:
		return math.Inf(-1)
	case 3:
		return rapid.Float64().Draw(t, "any")
	}
	return float64(rapid.Int16().Draw(t, "register")) / 10
})

// drawn is a capture of one to three channels, with one rate or several, and
// a stretch of time that may lie anywhere.
func drawn(t *rapid.T) (capture.Capture, []capture.Series, envelope.Query) {
	n := rapid.IntRange(1, 3000).Draw(t, "samples")
	seed := rapid.SliceOfN(sample, 1, 40).Draw(t, "seed")
	step := rapid.IntRange(1, 50).Draw(t, "step")
	series := make([]capture.Series, rapid.IntRange(1, 3).Draw(t, "channels"))
	for ch := range series {
		series[ch] = make(capture.Series, n)
		for i := range n {
			series[ch][i] = seed[(i/step*7+i+ch)%len(seed)]
		}
	}
	series[0][rapid.IntRange(0, n-1).Draw(t, "spike at")] = 1e6
	interval := rapid.SampledFrom([]float64{0.001, 1e-6, 0.1, 1.0 / 3, 7}).Draw(t, "interval")
	timing := capture.Timing{Samples: n, Interval: interval}
	if cut := rapid.IntRange(0, n-1).Draw(t, "rate changes at"); cut > 0 && rapid.Bool().Draw(t, "two rates") {
		timing.Rates = []capture.Rate{{End: cut, Interval: interval}, {End: n, Interval: interval * 10}}
	}
	c := record(timing, rapid.IntRange(0, n).Draw(t, "trigger"), series...)
	if len(series) > 1 {
		c.Channels[1].Role = capture.RoleDigital
	}
	whole := timing.Duration()
	from := c.At(0) + whole*rapid.Float64Range(-0.3, 1.2).Draw(t, "from")
	q := envelope.Query{From: from, To: from + whole*rapid.Float64Range(1e-4, 1.5).Draw(t, "width"), Columns: rapid.IntRange(1, 400).Draw(t, "columns")}
	return c, series, q
}

// For any samples and any stretch, least and greatest of every column are what
// a plain scan of all samples finds, by the capture's own times.
func TestEnvelopeIsThePlainScan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, series, q := drawn(t)
		e, err := envelope.New(c, series).Envelope(series, q)
		if err != nil {
			t.Fatal(err)
		}
		inside := 0
		for i := range series[0] {
			if at := c.At(i); at >= q.From && at < q.To {
				inside++
			}
		}
		if samples := e.Columns == 0; samples != (inside <= q.Columns) {
			t.Fatalf("%d samples in %d columns, and %d columns come", inside, q.Columns, e.Columns)
		}
		if e.Columns == 0 {
			plainSamples(t, c, series, q, e)
			return
		}
		for ch, s := range series {
			low, high := make([]float64, q.Columns), make([]float64, q.Columns)
			word := make([]envelope.Word, q.Columns)
			for k := range low {
				low[k], high[k], word[k] = math.Inf(1), math.Inf(-1), envelope.Word{All: ^uint64(0)}
			}
			column := 0
			for i, x := range s {
				at := c.At(i)
				if at < q.From || at >= q.To {
					continue
				}
				for column+1 < q.Columns && q.Edge(column+1) <= at {
					column++
				}
				if x < low[column] {
					low[column] = x
				}
				if x > high[column] {
					high[column] = x
				}
				if bits, ok := envelope.Bits(x); ok {
					word[column].All &= bits
					word[column].Any |= bits
				}
			}
			for k := range low {
				if c.Channels[ch].Digital() {
					if got := e.Curves[ch].Words[k]; got != word[k] {
						t.Fatalf("channel %d column %d: %+v, the scan %+v", ch, k, got, word[k])
					}
				} else if got := e.Curves[ch].Ranges[k]; got.Low != low[k] || got.High != high[k] {
					t.Fatalf("channel %d column %d: %v…%v, the scan %v…%v", ch, k, got.Low, got.High, low[k], high[k])
				}
			}
		}
	})
}

// Of few samples all come, with their own times, and one more on either side.
func plainSamples(t *rapid.T, c capture.Capture, series []capture.Series, q envelope.Query, e envelope.Envelope) {
	first, end := 0, len(series[0])
	for first < end && c.At(first) < q.From {
		first++
	}
	for end > first && c.At(end-1) >= q.To {
		end--
	}
	first, end = max(0, first-1), min(len(series[0]), end+1)
	if len(e.Times) != end-first {
		t.Fatalf("%d samples, want %d…%d", len(e.Times), first, end)
	}
	for k, at := range e.Times {
		if at != c.At(first+k) {
			t.Fatalf("sample %d is at %v, want %v", first+k, at, c.At(first+k))
		}
		if got, want := e.Curves[0].Ranges[k], series[0][first+k]; got.Empty() != math.IsNaN(want) || !got.Empty() && (got.Low != want || got.High != want) {
			t.Fatalf("sample %d is %v, want %v", first+k, got, want)
		}
	}
}

// One sample among a million that stands out is in exactly one column, at any width.
func TestNoSpikeIsDropped(t *testing.T) {
	const n = 1_000_000
	s := make(capture.Series, n)
	p := envelope.New(record(capture.Timing{Samples: n, Interval: 1e-5}, 0, s), []capture.Series{s})
	for _, at := range []int{0, 1, 31, 32, 255, 256, 499_999, 500_000, 999_967, n - 1} {
		s[at] = 9
		c := record(capture.Timing{Samples: n, Interval: 1e-5}, n/3, s)
		p = envelope.New(c, []capture.Series{s})
		for _, columns := range []int{1, 7, 360, 1500, envelope.MostColumns} {
			from, to := p.Clock.Span()
			e, err := p.Envelope([]capture.Series{s}, envelope.Query{From: from, To: to, Columns: columns})
			if err != nil {
				t.Fatal(err)
			}
			seen := 0
			for _, r := range e.Curves[0].Ranges {
				if r.High == 9 {
					seen++
				}
			}
			if seen != 1 {
				t.Errorf("a spike at sample %d is in %d of %d columns", at, seen, columns)
			}
		}
		s[at] = 0
	}
	if share := float64(p.Size()) / (8 * n); share > 0.15 {
		t.Errorf("the pyramid takes %.3f of the samples' size", share)
	}
}

// What wasn't read stays a gap: columns of nothing but it are empty, and their
// neighbours hold only what was read.
func TestGapsStayGaps(t *testing.T) {
	s := make(capture.Series, 10_000)
	for i := range s {
		if s[i] = 5; i >= 4000 && i < 6000 {
			s[i] = math.NaN()
		}
	}
	digital := append(capture.Series(nil), s...)
	c := record(capture.Timing{Samples: len(s), Interval: 1}, 0, s, digital)
	c.Channels[1].Bits = []string{"on"}
	all := []capture.Series{s, digital}
	e, err := envelope.New(c, all).Envelope(all, envelope.Query{From: 0, To: 10_000, Columns: 100})
	if err != nil {
		t.Fatal(err)
	}
	for k := range 100 {
		gap := k >= 40 && k < 60
		if r, w := e.Curves[0].Ranges[k], e.Curves[1].Words[k]; r.Empty() != gap || w.Empty() != gap || !gap && (r.Low != 5 || r.High != 5 || w.All != 5 || w.Any != 5) {
			t.Errorf("column %d: %+v, %+v", k, r, w)
		}
	}
}

func TestQueriesThatMakeNoSense(t *testing.T) {
	s := make(capture.Series, 100)
	p := envelope.New(record(capture.Timing{Samples: 100, Interval: 1}, 0, s, s), []capture.Series{s, s})
	for _, q := range []envelope.Query{
		{From: 1, To: 1, Columns: 10}, {From: 2, To: 1, Columns: 10}, {From: math.NaN(), To: 1, Columns: 10}, {From: 0, To: math.Inf(1), Columns: 10},
		{From: -math.MaxFloat64, To: math.MaxFloat64, Columns: 10}, {From: 0, To: 1}, {From: 0, To: 1, Columns: -1}, {From: 0, To: 1, Columns: envelope.MostColumns + 1},
		{From: 0, To: 1, Columns: 10, Channels: []int{2}}, {From: 0, To: 1, Columns: 10, Channels: []int{-1}}, {From: 0, To: 1, Columns: 10, Channels: []int{1, 0, 1}},
	} {
		if _, err := p.Envelope([]capture.Series{s, s}, q); err == nil {
			t.Errorf("%+v is answered", q)
		}
	}
	many := make([]capture.Series, 200)
	if _, err := envelope.New(record(capture.Timing{Samples: 0, Interval: 1}, 0, many...), many).Envelope(many, envelope.Query{From: 0, To: 1, Columns: envelope.MostColumns}); err == nil {
		t.Error("200 channels of 8192 columns are answered")
	}
	for _, timing := range []capture.Timing{{}, {Samples: 100}, {Samples: 100, Interval: -1}, {Samples: 100, Interval: math.Inf(1)}} { // nothing hangs or panics
		_, _ = envelope.New(record(timing, 5, s), []capture.Series{s}).Envelope([]capture.Series{s}, envelope.Query{From: -1, To: 1, Columns: 10})
	}
}

// The clock agrees with the capture's own, and First and Nearest with looking
// through all samples.
func TestClock(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, series, q := drawn(t)
		k := envelope.New(c, series).Clock
		n := len(series[0])
		for _, i := range []int{-3, 0, n / 2, n - 1, n, n + 5} {
			if k.At(i) != c.At(i) {
				t.Fatalf("sample %d is at %v, want %v", i, k.At(i), c.At(i))
			}
		}
		for _, i := range []int{0, n / 3, n / 2, n - 1} { // division by the interval may round up or down
			if got := k.First(c.At(i)); got != i {
				t.Fatalf("at %v s, where sample %d is, the first is %d", c.At(i), i, got)
			}
		}
		first, nearest := n, 0
		for i := range n {
			if first == n && c.At(i) >= q.From {
				first = i
			}
			if math.Abs(c.At(i)-q.From) < math.Abs(c.At(nearest)-q.From) {
				nearest = i
			}
		}
		if got := k.First(q.From); got != first {
			t.Fatalf("first from %v on is %d, want %d", q.From, got, first)
		}
		if got := k.Nearest(q.From); math.Abs(math.Abs(c.At(got)-q.From)-math.Abs(c.At(nearest)-q.From)) > 1e-12*math.Abs(q.From) {
			t.Fatalf("nearest to %v is %d, want %d", q.From, got, nearest)
		}
	})
}

// A trace has its own times in its first channel.
func TestTraceKeepsItsTimes(t *testing.T) {
	times := capture.Series{-1.1, -0.4, 0.05, 0.9}
	series := []capture.Series{times, {1, 2, 3, 4}}
	c := record(capture.Timing{Samples: 4, Interval: 2.0 / 3}, 2, series...)
	c.Origin, c.Channels[0].Unit = capture.Trace, "s"
	k := envelope.New(c, series).Clock
	var got []float64
	for i := range 4 {
		got = append(got, k.At(i))
	}
	if !cmp.Equal(got, []float64(times)) || k.First(-0.4) != 1 || k.First(0) != 2 || k.Nearest(0.4) != 2 {
		t.Errorf("times %v, first from 0 on %d", got, k.First(0))
	}
	times[2] = math.NaN() // not to be relied on: the average interval holds
	if got, want := envelope.New(c, series).Clock.At(3), c.At(3); got != want {
		t.Errorf("the last sample is at %v, want %v", got, want)
	}
}
