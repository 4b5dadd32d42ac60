package envelope

import (
	"math"

	"faultkeep/store/capture"
)

const (
	block = 16 // samples of a block of the lowest level
	fan   = 8  // blocks of which one of the next level is made
)

// kind is a way to reduce samples, and to reduce what was reduced.
type kind[T any] struct {
	none T
	scan func(capture.Series) T
	fold func([]T) T
}

var (
	numbers = kind[span]{noSpan, scanSpan, foldSpan}
	words   = kind[Word]{noWord, scanWord, foldWord}
)

// span is a Range as keys: integers in the order of the numbers that they
// stand for. Comparing integers takes no branches, which over short blocks
// would mostly be guessed wrong.
type span struct{ low, high int64 }

var (
	noSpan   = span{math.MaxInt64, math.MinInt64}
	keyLeast = key(math.Inf(-1))
	keyMost  = key(math.Inf(1))
)

// key orders all numbers, from −∞ to +∞ (IEEE 754-2008, 5.10); what isn't a
// number comes before or after them.
func key(x float64) int64 {
	bits := int64(math.Float64bits(x))
	return bits ^ int64(uint64(bits>>63)>>1)
}

func number(key int64) float64 {
	return math.Float64frombits(uint64(key ^ int64(uint64(key>>63)>>1)))
}

// Range of the numbers.
func (s span) Range() Range {
	if s.low > s.high {
		return noRange
	}
	return Range{number(s.low), number(s.high)}
}

func scanSpan(s capture.Series) span {
	out := noSpan
	for _, x := range s {
		k := key(x)
		out.low, out.high = min(out.low, k), max(out.high, k)
	}
	if out.low >= keyLeast && out.high <= keyMost {
		return out
	}
	out = noSpan
	for _, x := range s { // again, without what isn't a number
		if x == x {
			k := key(x)
			out.low, out.high = min(out.low, k), max(out.high, k)
		}
	}
	return out
}

func foldSpan(all []span) span {
	out := noSpan
	for _, r := range all {
		out.low, out.high = min(out.low, r.low), max(out.high, r.high)
	}
	return out
}

func scanWord(s capture.Series) Word {
	out := noWord
	for _, x := range s {
		if bits, ok := Bits(x); ok {
			out.All &= bits
			out.Any |= bits
		}
	}
	return out
}

func foldWord(all []Word) Word {
	out := noWord
	for _, w := range all {
		out.All &= w.All
		out.Any |= w.Any
	}
	return out
}

// Bits are a digital word's; ok is false where there is no word.
func Bits(x float64) (bits uint64, ok bool) {
	switch {
	case !(math.Abs(x) < 1<<64): // NaN, too
		return 0, false
	case x < 0: // a word that was read as a signed number
		return uint64(int64(x)), true
	}
	return uint64(x), true
}

// levels of a pyramid, lowest first; a level's last block may be short.
type levels[T any] [][]T

func build[T any](s capture.Series, k kind[T]) levels[T] {
	if len(s) <= block {
		return nil
	}
	low := make([]T, 0, (len(s)+block-1)/block)
	for at := 0; at < len(s); at += block {
		low = append(low, k.scan(s[at:min(at+block, len(s))]))
	}
	out := levels[T]{low}
	for len(low) > fan {
		next := make([]T, 0, (len(low)+fan-1)/fan)
		for at := 0; at < len(low); at += fan {
			next = append(next, k.fold(low[at:min(at+fan, len(low))]))
		}
		out, low = append(out, next), next
	}
	return out
}

func (l levels[T]) blocks() (n int) {
	for _, level := range l {
		n += len(level)
	}
	return n
}

// over reduces the samples [lo, hi): ends that fill no block are scanned, the
// blocks between them taken from the highest level that has them.
func over[T any](l levels[T], s capture.Series, lo, hi int, k kind[T]) T {
	lo, hi = max(lo, 0), min(hi, len(s))
	if hi-lo < 2*block || len(l) == 0 {
		return k.scan(s[lo:max(lo, hi)])
	}
	a, b := (lo+block-1)/block, hi/block
	var parts [2 + 2*16]T // more levels than any memory has room for
	out := append(parts[:0], k.scan(s[lo:a*block]), k.scan(s[b*block:hi]))
	for level, blocks := range l {
		if level == len(l)-1 || b-a < 2*fan {
			return k.fold(append(out, k.fold(blocks[a:b])))
		}
		up, down := (a+fan-1)/fan, b/fan
		out = append(out, k.fold(blocks[a:up*fan]), k.fold(blocks[down*fan:b]))
		a, b = up, down
	}
	return k.fold(out)
}

// reduce gives one value between each two of the edges, which ascend.
func reduce[T any](l levels[T], s capture.Series, edges []int, k kind[T]) []T {
	out := make([]T, max(0, len(edges)-1))
	for i := range out {
		if lo, hi := min(edges[i], len(s)), min(edges[i+1], len(s)); lo < hi {
			out[i] = over(l, s, lo, hi, k)
		} else {
			out[i] = k.none
		}
	}
	return out
}
