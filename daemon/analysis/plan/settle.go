package plan

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"
)

// steps are the sample intervals that a recorder offers, finest first. Few are
// lists; most are all multiples of something, too many to be written down.
type steps struct {
	n  int
	at func(i int) time.Duration
}

func (a Ask) steps() steps {
	switch {
	case len(a.Intervals) > 0:
		sorted := slices.Clone(a.Intervals)
		slices.Sort(sorted)
		sorted = slices.Compact(sorted)
		return steps{len(sorted), func(i int) time.Duration { return sorted[i] }}
	case a.Base > 0:
		return steps{int(mostInterval / a.Base), func(i int) time.Duration { return time.Duration(i+1) * a.Base }}
	}
	// Two digits, from 1.0 µs up to mostInterval: 90 of them a decade.
	return steps{9*90 + 1, func(i int) time.Duration {
		d := time.Duration(10+i%90) * leastBase / 10
		for range i / 90 {
			d *= 10
		}
		return d
	}}
}

// upTo is how many of the steps are no coarser than limit.
func (s steps) upTo(limit float64) int {
	return sort.Search(s.n, func(i int) bool { return float64(s.at(i)) > limit*(1+1e-9) })
}

// coarsest is the longest sample interval that the frequency allows, in nanoseconds.
func (a Ask) coarsest() float64 {
	if a.Frequency == 0 {
		return math.Inf(1)
	}
	return float64(time.Second) / (a.Use.samples() * a.Frequency)
}

// wanted is how many samples cover the wanted time before and after the trigger.
// The trigger's own sample is the first after it.
func (a Ask) wanted(interval time.Duration) (before, after int64) {
	up := func(d time.Duration) int64 { return int64((d + interval - 1) / interval) }
	return up(a.Before), max(1, up(a.After))
}

// whole is 100 % in the unit of shares in here.
const whole = 100_000

func (a Ask) shareStep() int64 {
	if a.ShareStep == 0 {
		return whole / 100
	}
	return int64(math.Round(a.ShareStep * whole / 100))
}

// set finds the number of samples and the pre-trigger share at an interval; what
// follows from them isn't filled in yet.
//
// Whichever way the drive rounds a share to whole samples, both sides get what
// is wanted of them: share × n ≥ before and (1 − share) × n ≥ after.
//
// A recorder that always fills its memory gets as much before the trigger as it
// can, since that is where causes are (common practice, no source).
func (a Ask) set(interval time.Duration) (p Plan, ok bool) {
	before, after := a.wanted(interval)
	memory := int64(a.Memory.Samples(a.Channels))
	if before+after > memory {
		return p, false
	}
	step := a.shareStep()
	n, share := memory, (memory-after)*whole/memory/step*step
	if a.Adjustable {
		n = math.MaxInt64
		even := before * whole / (before + after) / step * step // no more than the share that would waste nothing
		for _, s := range []int64{even, even + step} {
			if s >= whole || s == 0 && before > 0 {
				continue
			}
			least := (after*whole + whole - s - 1) / (whole - s)
			if s > 0 {
				least = max(least, (before*whole+s-1)/s)
			}
			if least < n {
				n, share = least, s
			}
		}
	}
	if n > memory || share*n < before*whole { // after it there is enough by the choice of share
		return p, false
	}
	return Plan{Channels: a.Channels, Samples: int(n), Interval: interval,
		Share: float64(share) / (whole / 100), Trigger: int(share * n / whole)}, true
}

// tries bounds how many intervals are tried for one that wins the race, from the
// finest that fits to the coarsest that is fine enough, closer together at first.
const tries = 24

// settle finds the finest interval that gives all that is asked. The conflicts
// say why there is none.
func (a Ask) settle() (Plan, []string) {
	s := a.steps()
	allowed := s.upTo(a.coarsest())
	if allowed == 0 {
		return Plan{}, []string{fmt.Sprintf("To judge up to %s by %s takes a sample every %s or finer; the finest that the recorder offers is %s.",
			Hertz(a.Frequency), a.use(), Span(time.Duration(a.coarsest())), Span(s.at(0)))}
	}
	// What fits at one interval fits at every coarser one.
	first := sort.Search(allowed, func(i int) bool { _, ok := a.set(s.at(i)); return ok })
	if first == allowed {
		return Plan{}, []string{a.tooLong(s.at(allowed - 1))}
	}
	var best Plan // of those that lose the race
	last := allowed - 1
	if a.Frequency == 0 || !a.Adjustable {
		last = first // coarser would only cost: nothing says how far down is still fine, or nothing gets shorter
	}
	for k := range tries {
		i := first + int(float64(last-first)*math.Pow(float64(k)/(tries-1), 2))
		p, ok := a.set(s.at(i))
		if !ok {
			continue
		}
		p = a.numbers(p)
		if !p.Raced || p.Margin() >= 0 {
			return p, nil
		}
		if best.Interval == 0 || p.Margin() > best.Margin() {
			best = p
		}
		if last == first {
			break
		}
	}
	return Plan{}, []string{lost(best)}
}

func (a Ask) use() Use {
	if a.Use == "" {
		return Shape
	}
	return a.Use
}

// tooLong says why the wanted time doesn't fit at the coarsest interval that there may be.
func (a Ask) tooLong(interval time.Duration) string {
	before, after := a.wanted(interval)
	memory := a.Memory.Samples(a.Channels)
	why := "the coarsest that the recorder offers"
	if a.Frequency > 0 && a.steps().upTo(math.Inf(1)) > a.steps().upTo(a.coarsest()) {
		why = fmt.Sprintf("the coarsest that shows %s by %s", Hertz(a.Frequency), a.use())
	}
	s := fmt.Sprintf("%s before and %s after the trigger are %s samples a channel at %s, %s; the memory holds %s of %s",
		Span(a.Before), Span(a.After), Count(int(before+after)), Span(interval), why, Count(memory), channels(a.Channels))
	if before+after <= int64(memory) {
		s += fmt.Sprintf(", which pre-trigger shares in steps of %s %% can't divide so", digits(float64(a.shareStep())/(whole/100)))
	}
	return s + "."
}

// lost says by how much a race is lost.
func lost(p Plan) string {
	s := fmt.Sprintf("To keep the recording for certain takes %s after it is ready", Span(p.Need))
	if p.Stands <= 0 {
		return s + fmt.Sprintf("; it would be ready %s after the reset.", Span(-p.Stands))
	}
	return s + fmt.Sprintf("; it stands for %s.", Span(p.Stands))
}
