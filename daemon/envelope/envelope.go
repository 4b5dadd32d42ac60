// Package envelope reduces the samples of a capture to what a picture of a
// stretch of it can show, least and greatest of every column, so that no spike
// is ever dropped; and computes the exact figures of a stretch from all of its
// samples. Pure functions; the only state is a Pyramid, built once a capture.
package envelope

import (
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"faultkeep/store/capture"
)

// Limits of what may be asked for.
const (
	MostColumns = 8192    // of one answer
	MostPairs   = 1 << 20 // columns times channels: 8 MiB as bytes
)

// Range is the least and the greatest of some values; Low above High: of none.
type Range struct{ Low, High float64 }

// Word is what some words of bits have in common: the bits set in every one
// and those set in any. A bit that is in All and not in Any: there was no word.
type Word struct{ All, Any uint64 }

var (
	noRange = Range{math.Inf(1), math.Inf(-1)}
	noWord  = Word{^uint64(0), 0}
)

// Empty tells that there was no value.
func (r Range) Empty() bool { return r.Low > r.High }

// Empty tells that there was no word.
func (w Word) Empty() bool { return w.All&^w.Any != 0 }

// Pyramid holds least and greatest of ever larger blocks of every channel's
// samples, about a seventh of their size. It goes with the samples that it was
// built from and doesn't hold them. Safe for concurrent use.
type Pyramid struct {
	Clock    Clock
	channels []tower
}

// tower is the pyramid of one channel: of numbers, or of words.
type tower struct {
	numbers levels[span]
	words   levels[Word]
	digital bool
}

// New builds the pyramid of a capture; series has one entry a channel.
func New(c capture.Capture, series []capture.Series) *Pyramid {
	p := &Pyramid{Clock: clockOf(c, series), channels: make([]tower, min(len(c.Channels), len(series)))}
	beside(len(p.channels), func(i int) {
		t := &p.channels[i]
		if t.digital = c.Channels[i].Digital(); t.digital {
			t.words = build(series[i], words)
		} else {
			t.numbers = build(series[i], numbers)
		}
	})
	return p
}

// Size of the pyramid in bytes, about.
func (p *Pyramid) Size() int {
	n := 8 * len(p.Clock.times)
	for _, t := range p.channels {
		n += 16 * (t.numbers.blocks() + t.words.blocks())
	}
	return n
}

// Query asks for the stretch [From, To) in seconds from the trigger.
type Query struct {
	From, To float64
	Columns  int   // of equal width that the stretch is cut into
	Channels []int // by index; nil: all
}

// Envelope is a stretch of a record, reduced to columns: column k reaches from
// Edge(k) to Edge(k+1) and holds the samples at times t with
// Edge(k) <= t < Edge(k+1). Where there are no more samples than columns it holds
// the samples themselves with their times, and one more on either side.
type Envelope struct {
	From, To float64
	Columns  int       // 0: samples
	Times    []float64 // of samples, seconds from the trigger; nil: columns
	Curves   []Curve
}

// Curve is one channel's share, an entry a column or sample.
type Curve struct {
	Channel int
	Ranges  []Range // of numbers
	Words   []Word  // of a digital channel
}

// Edge is where column k begins, in seconds from the trigger.
func (q Query) Edge(k int) float64 {
	if k == q.Columns {
		return q.To
	}
	return q.From + (q.To-q.From)*(float64(k)/float64(q.Columns))
}

// Check says in words what can't be answered.
func (q Query) Check(channels int) error {
	switch width := q.To - q.From; {
	case math.IsNaN(width) || math.IsInf(width, 0):
		return fmt.Errorf("the stretch from %g to %g s isn't one of finite numbers", q.From, q.To)
	case !(width > 0):
		return fmt.Errorf("the stretch from %g to %g s is empty; from must be below to", q.From, q.To)
	case q.Columns < 1 || q.Columns > MostColumns:
		return fmt.Errorf("%d columns can't be had; ask for 1 to %d", q.Columns, MostColumns)
	}
	asked := channels
	if q.Channels != nil {
		asked = len(q.Channels)
	}
	for i, ch := range q.Channels {
		if ch < 0 || ch >= channels {
			return fmt.Errorf("there is no channel %d; this capture has %d, counted from 0", ch, channels)
		}
		if slices.Contains(q.Channels[:i], ch) {
			return fmt.Errorf("channel %d is asked for twice", ch)
		}
	}
	if asked*q.Columns > MostPairs {
		return fmt.Errorf("%d columns of %d channels are too much at once; ask for fewer of either", q.Columns, asked)
	}
	return nil
}

// Envelope answers a query from the samples that the pyramid was built from.
func (p *Pyramid) Envelope(series []capture.Series, q Query) (Envelope, error) {
	if err := q.Check(len(p.channels)); err != nil {
		return Envelope{}, err
	}
	channels := q.Channels
	if channels == nil {
		for i := range p.channels {
			channels = append(channels, i)
		}
	}
	e := Envelope{From: q.From, To: q.To}
	edges := p.edges(q)
	if first, end := edges[0], edges[q.Columns]; end-first <= q.Columns {
		first, end = max(0, first-1), min(p.Clock.Samples(), end+1) // lines run out of the picture, not up to its edge
		edges = edges[:0]
		for i := first; i <= end; i++ {
			edges = append(edges, i)
		}
		e.Times = make([]float64, max(0, end-first))
		for i := range e.Times {
			e.Times[i] = p.Clock.At(first + i)
		}
	} else {
		e.Columns = q.Columns
	}
	e.Curves = make([]Curve, len(channels))
	beside(len(channels), func(i int) {
		ch := channels[i]
		t, curve := &p.channels[ch], Curve{Channel: ch}
		if t.digital {
			curve.Words = reduce(t.words, series[ch], edges, words)
		} else {
			spans := reduce(t.numbers, series[ch], edges, numbers)
			curve.Ranges = make([]Range, len(spans))
			for k, s := range spans {
				curve.Ranges[k] = s.Range()
			}
		}
		e.Curves[i] = curve
	})
	return e, nil
}

// edges are the first sample of every column, and the end of the last.
func (p *Pyramid) edges(q Query) []int {
	out := make([]int, q.Columns+1)
	for k := range out {
		out[k] = p.Clock.First(q.Edge(k))
	}
	return out
}

// beside does n things, as many at once as there are processors.
func beside(n int, do func(i int)) {
	var wait sync.WaitGroup
	var next atomic.Int64
	for range min(n, runtime.GOMAXPROCS(0)) {
		wait.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(i)
			}
		})
	}
	wait.Wait()
}
