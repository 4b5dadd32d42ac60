package demo

import (
	"context"
	"sync"
	"time"
)

// stalls notes when this whole process stood still: the drives live in it, so
// nobody could have read them then.
type stalls struct {
	mu   sync.Mutex
	list []Period
}

// Period is a stretch of time.
type Period struct{ From, To time.Time }

const (
	beatEvery  = 10 * time.Millisecond
	leastStall = 50 * time.Millisecond // shorter ones are part of every round trip's measure
)

// watch notes stalls until ctx ends.
func (s *stalls) watch(ctx context.Context) {
	tick := time.NewTicker(beatEvery)
	defer tick.Stop()
	for last := time.Now(); ; {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		now := time.Now()
		if now.Sub(last) >= leastStall {
			s.mu.Lock()
			s.list = append(s.list, Period{last.Add(beatEvery), now})
			s.mu.Unlock()
		}
		last = now
	}
}

func (s *stalls) so() []Period {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Period(nil), s.list...)
}

// within is how much of the stretch from one time to another the periods cover.
func within(list []Period, from, to time.Time) (sum time.Duration) {
	for _, p := range list {
		if p.From.Before(from) {
			p.From = from
		}
		if p.To.After(to) {
			p.To = to
		}
		sum += max(0, p.To.Sub(p.From))
	}
	return sum
}
