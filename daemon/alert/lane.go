package alert

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/cenkalti/backoff/v5"

	"faultkeep/store/capture"
)

const (
	batch     = 32              // messages read from the outbox at once
	recheck   = time.Minute     // the outbox is looked at this often even without a signal
	grace     = time.Second     // a Send may take this much longer than it was allowed
	longest   = 5 * time.Minute // between two attempts, unless the other side asks for longer
	asked     = time.Hour       // most that the other side can ask for
	storeTime = 5 * time.Second // for one call of the outbox
)

// lane is one sink with its goroutine.
type lane struct {
	name    string
	sink    Sink
	box     Outbox
	timeout time.Duration
	observe func(Attempt)
	zone    *time.Location
	wake    chan struct{}

	under *send // the Send under way; outlives a timeout if the sink ignores its context
	held  held
}

// send is one call of Sink.Send.
type send struct {
	seq  uint64
	done chan error // receives once
}

// held remembers the last failure in case the outbox couldn't note it.
type held struct {
	seq   uint64
	tries int
	next  time.Time
}

func (l *lane) run(ctx context.Context) {
	for failures := 0; ctx.Err() == nil; {
		messages, next, err := l.box.Due(ctx, l.name, time.Now(), batch)
		if err != nil {
			if ctx.Err() != nil {
				return
			}
			l.tell(capture.Message{Sink: l.name}, NoStorage, fmt.Errorf("read the outbox: %w", err), time.Time{})
			sleep(ctx, delay(failures))
			failures++
			continue
		}
		failures = 0
		if len(messages) == 0 {
			l.idle(ctx, next)
			continue
		}
		for _, m := range messages {
			if !l.deliver(ctx, m) {
				break // later ones wait, so that order is kept
			}
		}
	}
}

// idle waits until there is something to look for: at next, if it isn't zero.
func (l *lane) idle(ctx context.Context, next time.Time) {
	most := recheck
	if !next.IsZero() {
		most = max(min(most, time.Until(next)), 0)
	}
	t := time.NewTimer(most)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-l.wake:
	case <-t.C:
	}
}

// deliver makes one attempt when the message is due; true when it is done with.
func (l *lane) deliver(ctx context.Context, m capture.Message) bool {
	if l.held.seq == m.Seq && l.held.tries > m.Tries {
		m.Tries, m.Next = l.held.tries, l.held.next
	}
	// The bound is for a clock that was put back after Next was noted.
	if wait := min(time.Until(m.Next), asked); wait > 0 && !sleep(ctx, wait) {
		return false
	}
	if m.Fold != "" && !m.Sealed {
		sealed, there, err := l.box.Seal(ctx, l.name, m.Seq)
		if err != nil {
			l.tell(m, NoStorage, fmt.Errorf("seal a message in the outbox: %w", err), time.Time{})
			sleep(ctx, delay(0))
			return false
		}
		if !there {
			return true
		}
		m = sealed
	}
	err := l.send(ctx, m)
	switch {
	case err == nil:
		if !l.note(ctx, m, func(ctx context.Context) error { return l.box.Accepted(ctx, l.name, m.Seq) }) {
			return false
		}
		l.tell(m, Sent, nil, time.Time{})
		return true
	case ctx.Err() != nil:
		return false // stopped by us, which is no failure of the sink
	case IsRefused(err):
		if !l.note(ctx, m, func(ctx context.Context) error { return l.box.SetAside(ctx, l.name, m.Seq, reason(err)) }) {
			return false
		}
		l.tell(m, Aside, err, time.Time{})
		return true
	}
	wait := delay(m.Tries)
	var later Later
	if errors.As(err, &later) {
		wait = min(max(wait, later.After), asked)
	}
	next := time.Now().Add(wait)
	l.held = held{seq: m.Seq, tries: m.Tries + 1, next: next}
	m.Tries, m.Next, m.LastError = m.Tries+1, next.UTC(), reason(err)
	l.tell(m, Failed, err, next)
	if err := l.store(ctx, func(ctx context.Context) error { return l.box.Retry(ctx, l.name, m.Seq, next.UTC(), m.LastError) }); err != nil {
		l.tell(m, NoStorage, fmt.Errorf("note a failed attempt in the outbox: %w", err), time.Time{})
	}
	return false
}

// send calls the sink and waits no longer than it is allowed. While a Send
// that ignored its context is still under way no other is begun, so that
// alerts can't overtake each other and goroutines can't pile up.
func (l *lane) send(ctx context.Context, m capture.Message) error {
	if l.under != nil && l.under.seq != m.Seq {
		select {
		case <-l.under.done: // about a message that is gone
			l.under = nil
		default:
		}
	}
	if l.under == nil {
		s := &send{seq: m.Seq, done: make(chan error, 1)}
		within, cancel := context.WithTimeout(ctx, l.timeout)
		go func() {
			defer cancel()
			s.done <- guarded(within, l.sink, Told(m, l.zone))
		}()
		l.under = s
	}
	late := time.NewTimer(l.timeout + grace)
	defer late.Stop()
	stop := ctx.Done()
	for {
		select {
		case err := <-l.under.done:
			same := l.under.seq == m.Seq
			l.under = nil
			if !same {
				return errors.New("an earlier alert held the sink up")
			}
			if errors.Is(err, context.DeadlineExceeded) {
				return fmt.Errorf("no answer within %s: %w", l.timeout, err)
			}
			return err
		case <-stop:
			stop = nil
			late.Reset(grace) // an answer that is on its way spares a double after the restart
		case <-late.C:
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return fmt.Errorf("the sink hangs: nothing came back within %s", l.timeout+grace)
		}
	}
}

// guarded keeps a broken sink from ending the daemon.
func guarded(ctx context.Context, sink Sink, a capture.Alert) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the sink broke: %v", r)
		}
	}()
	return sink.Send(ctx, a)
}

// note insists on telling the outbox, since a message that was accepted must
// not be sent again only because the disk was full for a while.
func (l *lane) note(ctx context.Context, m capture.Message, tell func(context.Context) error) bool {
	for n := 0; ; n++ {
		err := l.store(ctx, tell)
		if err == nil {
			return true
		}
		l.tell(m, NoStorage, fmt.Errorf("note the answer in the outbox: %w", err), time.Time{})
		if !sleep(ctx, delay(n)) {
			return false
		}
	}
}

// store lets a call of the outbox finish even when ctx has just ended.
func (l *lane) store(ctx context.Context, call func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), storeTime)
	defer cancel()
	return call(ctx)
}

func (l *lane) tell(m capture.Message, o Outcome, err error, next time.Time) {
	l.observe(Attempt{Time: time.Now().UTC(), Sink: l.name, Message: m, Outcome: o, Err: err, Next: next})
}

// delay before the next attempt after so many failed ones: 2 s, doubling, a
// quarter either way by chance, never more than the longest.
func delay(failed int) time.Duration {
	b := &backoff.ExponentialBackOff{InitialInterval: 2 * time.Second, Multiplier: 2,
		RandomizationFactor: 0.25, MaxInterval: longest * 4 / 5}
	b.Reset()
	d := b.NextBackOff()
	for range min(failed, 16) { // the longest is reached long before
		d = b.NextBackOff()
	}
	return min(d, longest)
}

// sleep is false when ctx ended first.
func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}

// reason is an error as the outbox keeps it: one line, bounded.
func reason(err error) string {
	s := strings.Join(strings.Fields(err.Error()), " ")
	if r := []rune(s); len(r) > 300 {
		s = string(r[:299]) + "…"
	}
	return s
}
