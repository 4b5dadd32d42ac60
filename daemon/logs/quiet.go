package logs

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"time"
)

// Quieted is a handler that passes on only so many of the same message.
type Quieted struct {
	next  slog.Handler
	from  string // source of all messages, as the log was told before
	state *counts
}

// counts are shared by a handler and all that are made of it.
type counts struct {
	most   int
	within time.Duration

	mu    sync.Mutex
	seen  map[string]*count
	ended bool
}

// count is of one message from one source.
type count struct {
	passed  int         // since the time began
	held    int         // not passed on
	last    slog.Record // of those held
	through slog.Handler
	end     *time.Timer
}

// mostKept bounds the memory; messages beyond it pass.
const mostKept = 2000

// sources are the attributes that tell where a message is from. All others,
// such as the error, may differ and it is the same message still.
var sources = map[string]bool{"drive": true, "source": true, "folder": true, "sink": true, "address": true, "part": true, "page": true,
	"entry": true, "kind": true, "user": true, "op": true}

// Quiet passes on at most so many of the same message from the same source
// within the time that begins with the first; of the rest the last one comes
// at the end of it, with how many there were. The same are those of the same
// level and text, and of the same drive, sink and so on.
func Quiet(next slog.Handler, most int, within time.Duration) *Quieted {
	return &Quieted{next: next, state: &counts{most: most, within: within, seen: map[string]*count{}}}
}

// Enabled is that of the handler behind it.
func (q *Quieted) Enabled(ctx context.Context, l slog.Level) bool { return q.next.Enabled(ctx, l) }

// WithAttrs is a handler that counts together with q.
func (q *Quieted) WithAttrs(as []slog.Attr) slog.Handler {
	from := q.from
	for _, a := range as {
		from += source(a)
	}
	return &Quieted{q.next.WithAttrs(as), from, q.state}
}

// WithGroup is a handler that counts together with q.
func (q *Quieted) WithGroup(name string) slog.Handler {
	return &Quieted{q.next.WithGroup(name), q.from + "\x00" + name, q.state}
}

func source(a slog.Attr) string {
	if !sources[a.Key] {
		return ""
	}
	return "\x00" + a.Key + "\x01" + a.Value.Resolve().String()
}

// Handle passes the message on or counts it.
func (q *Quieted) Handle(ctx context.Context, r slog.Record) error {
	var key strings.Builder
	key.WriteString(r.Level.String() + "\x00" + r.Message + q.from)
	r.Attrs(func(a slog.Attr) bool { key.WriteString(source(a)); return true })
	if q.state.pass(key.String(), r, q.next) {
		return q.next.Handle(ctx, r)
	}
	return nil
}

// pass tells whether a message is still to be said.
func (s *counts) pass(key string, r slog.Record, through slog.Handler) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ended {
		return true
	}
	c := s.seen[key]
	if c == nil {
		if len(s.seen) >= mostKept {
			return true
		}
		c = &count{}
		c.end = time.AfterFunc(s.within, func() { s.over(key) })
		s.seen[key] = c
	}
	if c.passed < s.most {
		c.passed++
		return true
	}
	c.held, c.last, c.through = c.held+1, r.Clone(), through
	return false
}

// over ends one message's time.
func (s *counts) over(key string) {
	s.mu.Lock()
	c := s.seen[key]
	delete(s.seen, key)
	s.mu.Unlock()
	c.say()
}

// say tells what was held back.
func (c *count) say() {
	if c == nil || c.held == 0 {
		return
	}
	c.last.AddAttrs(slog.Int("repeated", c.held))
	_ = c.through.Handle(context.Background(), c.last)
}

// End says what is still counted. After it everything is passed on.
func (q *Quieted) End() {
	s := q.state
	s.mu.Lock()
	left := s.seen
	s.seen, s.ended = nil, true
	s.mu.Unlock()
	for _, c := range left {
		c.end.Stop()
		c.say()
	}
}
