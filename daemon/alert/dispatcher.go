package alert

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"sync"
	"time"

	"faultkeep/store/capture"
)

// Outbox is what the Dispatcher needs of the store. What Accepted, Retry and
// SetAside tell is durable when they return nil, and telling it twice is
// harmless.
type Outbox interface {
	// Due are the first messages to be sent to the sink that aren't held, in
	// order, whether they are to be tried again yet or not, at most limit; and
	// when the next of those that are held isn't any more, zero where none is.
	Due(ctx context.Context, sink string, now time.Time, limit int) (due []capture.Message, next time.Time, err error)
	// Seal is asked for before a message with a Fold is sent for the first time:
	// from then on it stays as it is. there is false where it was taken back.
	Seal(ctx context.Context, sink string, seq uint64) (m capture.Message, there bool, err error)
	Accepted(ctx context.Context, sink string, seq uint64) error
	Retry(ctx context.Context, sink string, seq uint64, next time.Time, why string) error
	SetAside(ctx context.Context, sink string, seq uint64, why string) error
	// Waiting has something to receive after messages were put in.
	Waiting() <-chan struct{}
}

// Outcome says how an attempt ended.
type Outcome string

// The outcomes.
const (
	Sent      Outcome = "sent"      // the sink accepted the alert
	Failed    Outcome = "failed"    // it will be sent again
	Aside     Outcome = "set aside" // refused for good
	NoStorage Outcome = "outbox"    // the outbox itself can't be read or written
)

// Attempt is told for live displays and logs.
type Attempt struct {
	Time    time.Time
	Sink    string
	Message capture.Message // zero where the outbox couldn't be read
	Outcome Outcome
	Err     error     // nil for Sent
	Next    time.Time // Failed: when it is tried again
}

// Options of a Dispatcher.
type Options struct {
	Sinks   map[string]Sink
	Timeout time.Duration  // longest one Send may take; 30 s where zero
	Observe func(Attempt)  // may be nil; called from every sink's goroutine, must return soon
	Zone    *time.Location // of times in texts; UTC where nil
}

// Dispatcher carries alerts from the outbox to their sinks: in order for each
// sink, one goroutine a sink, so that a dead one delays nobody else. All that
// must survive a restart is in the outbox.
type Dispatcher struct {
	box   Outbox
	lanes []*lane
}

// NewDispatcher makes a Dispatcher; Run makes it work.
func NewDispatcher(box Outbox, o Options) *Dispatcher {
	if o.Timeout <= 0 {
		o.Timeout = 30 * time.Second
	}
	if o.Observe == nil {
		o.Observe = func(Attempt) {}
	}
	d := &Dispatcher{box: box}
	for name, sink := range o.Sinks {
		d.lanes = append(d.lanes, &lane{name: name, sink: sink, box: box, timeout: o.Timeout,
			observe: o.Observe, zone: cmp.Or(o.Zone, time.UTC), wake: make(chan struct{}, 1)})
	}
	slices.SortFunc(d.lanes, func(a, b *lane) int { return strings.Compare(a.name, b.name) })
	return d
}

// Run delivers until ctx ends, then lets a Send that is under way finish for
// at most a second. It is called once.
func (d *Dispatcher) Run(ctx context.Context) {
	var wg sync.WaitGroup
	for _, l := range d.lanes {
		wg.Go(func() { l.run(ctx) })
	}
	wg.Go(func() { d.broadcast(ctx) })
	wg.Wait()
}

// broadcast passes the outbox's one signal on to every lane.
func (d *Dispatcher) broadcast(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case _, open := <-d.box.Waiting():
			for _, l := range d.lanes {
				select {
				case l.wake <- struct{}{}:
				default: // it will look anyway
				}
			}
			if !open && !sleep(ctx, time.Second) { // a closed channel must not become a busy loop
				return
			}
		}
	}
}
