package alert_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"faultkeep/store/capture"
)

// box is an outbox in memory. It outlives dispatchers, as the store does.
type box struct {
	mu      sync.Mutex
	waiting chan struct{}
	queue   map[string][]capture.Message
	aside   []capture.Message
	seq     uint64
	broken  error // answered by every call
}

func newBox() *box {
	return &box{waiting: make(chan struct{}, 1), queue: make(map[string][]capture.Message)}
}

// put commits one alert for each sink and signals once.
func (b *box) put(id string, sinks ...string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, sink := range sinks {
		b.seq++
		b.queue[sink] = append(b.queue[sink], capture.Message{Seq: b.seq, Sink: sink,
			Alert: capture.Alert{ID: id, Time: time.Now(), Kind: capture.KindCapture, Text: id}})
	}
	select {
	case b.waiting <- struct{}{}:
	default:
	}
}

func (b *box) breakWith(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.broken = err
}

func (b *box) left(sink string) []capture.Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.queue[sink])
}

func (b *box) Waiting() <-chan struct{} { return b.waiting }

func (b *box) Due(_ context.Context, sink string, now time.Time, limit int) (due []capture.Message, next time.Time, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.broken != nil {
		return nil, next, b.broken
	}
	for _, m := range b.queue[sink] {
		if m.Hold.After(now) {
			if next.IsZero() || m.Hold.Before(next) {
				next = m.Hold
			}
		} else if len(due) < limit {
			due = append(due, m)
		}
	}
	return due, next, nil
}

func (b *box) Seal(ctx context.Context, sink string, seq uint64) (m capture.Message, there bool, err error) {
	err = b.change(ctx, sink, seq, func(q *capture.Message) bool {
		q.Sealed, there = true, true
		m = *q
		return true
	})
	return m, there, err
}

func (b *box) Accepted(ctx context.Context, sink string, seq uint64) error {
	return b.change(ctx, sink, seq, func(*capture.Message) bool { return false })
}

func (b *box) SetAside(ctx context.Context, sink string, seq uint64, why string) error {
	return b.change(ctx, sink, seq, func(m *capture.Message) bool {
		m.LastError = why
		b.aside = append(b.aside, *m)
		return false
	})
}

func (b *box) Retry(ctx context.Context, sink string, seq uint64, next time.Time, why string) error {
	return b.change(ctx, sink, seq, func(m *capture.Message) bool {
		m.Tries, m.Next, m.LastError = m.Tries+1, next, why
		return true
	})
}

// change applies f to a message and drops it where f is false.
func (b *box) change(ctx context.Context, sink string, seq uint64, f func(*capture.Message) bool) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := cmp.Or(b.broken, ctx.Err()); err != nil {
		return err
	}
	q := b.queue[sink]
	i := slices.IndexFunc(q, func(m capture.Message) bool { return m.Seq == seq })
	if i < 0 {
		return nil
	}
	if !f(&q[i]) {
		b.queue[sink] = slices.Delete(q, i, i+1)
	}
	return nil
}

// call is one Send that a sink saw.
type call struct {
	id string
	at time.Time
}

// sink notes every Send and answers by its function.
type sink struct {
	mu     sync.Mutex
	calls  []call
	got    []string // IDs it accepted
	busy   int
	most   int // Sends at once
	answer func(ctx context.Context, a capture.Alert) error
}

func (s *sink) Send(ctx context.Context, a capture.Alert) error {
	s.mu.Lock()
	s.calls = append(s.calls, call{a.ID, time.Now()})
	s.busy++
	s.most = max(s.most, s.busy)
	s.mu.Unlock()
	var err error
	if s.answer != nil {
		err = s.answer(ctx, a)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.busy--
	if err == nil {
		s.got = append(s.got, a.ID)
	}
	return err
}

func (s *sink) accepted() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.got)
}

func (s *sink) sends() []call {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.calls)
}

var errDown = errors.New("down")

func ids(from, to int) []string {
	var out []string
	for i := from; i <= to; i++ {
		out = append(out, fmt.Sprintf("a%03d", i))
	}
	return out
}
