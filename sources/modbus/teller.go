package modbus

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"faultkeep/sources"
)

// teller carries observations to the ledger, in their order, beside the watch:
// a disk that takes its time to sync must not cost the race that is on. What
// the ledger can't take now is told again until it does, since a loss that
// nobody hears of is the one thing that must not happen.
type teller struct {
	keeper sources.Keeper
	log    *slog.Logger
	wake   chan struct{} // capacity 1
	ending chan struct{}
	ended  chan struct{}

	mu    sync.Mutex
	queue []sources.Observation
}

const (
	retellEvery = time.Second     // while the ledger refuses
	lastWords   = 2 * time.Second // to tell what is left when the watch ends
	mostLive    = 1000            // waiting observations above which those that only displays need are left out
)

func newTeller(k sources.Keeper, log *slog.Logger) *teller {
	t := &teller{keeper: k, log: log, wake: make(chan struct{}, 1), ending: make(chan struct{}), ended: make(chan struct{})}
	go t.run()
	return t
}

// tell queues an observation and returns at once.
func (t *teller) tell(o sources.Observation) {
	t.mu.Lock()
	if len(t.queue) < mostLive || lasting(o.Kind) {
		t.queue = append(t.queue, o)
	}
	t.mu.Unlock()
	select {
	case t.wake <- struct{}{}:
	default: // it has a reason to look already
	}
}

// lasting tells whether the ledger or the outbox needs an observation.
func lasting(k sources.Seen) bool {
	switch k {
	case sources.SeenState, sources.SeenCleared, sources.SeenPulling, sources.SeenArmed, sources.SeenNotArm, sources.SeenTrouble:
		return false
	}
	return true
}

// close tells what is left, as far as the time for that goes.
func (t *teller) close() {
	close(t.ending)
	<-t.ended
}

func (t *teller) run() {
	defer close(t.ended)
	for {
		if t.flush(context.Background()) {
			select {
			case <-t.wake:
				continue
			case <-t.ending:
			}
		} else if !t.wait() {
			continue
		}
		ctx, stop := context.WithTimeout(context.Background(), lastWords)
		defer stop()
		if !t.flush(ctx) {
			t.log.Error("the ledger took not all that was seen before the end", "left", len(t.queue))
		}
		return
	}
}

// wait lets the ledger rest; true: the watch ends.
func (t *teller) wait() bool {
	timer := time.NewTimer(retellEvery)
	defer timer.Stop()
	select {
	case <-timer.C:
		return false
	case <-t.ending:
		return true
	}
}

// flush tells everything that waits; false: the ledger refused.
func (t *teller) flush(ctx context.Context) bool {
	for {
		t.mu.Lock()
		if len(t.queue) == 0 {
			t.mu.Unlock()
			return true
		}
		o := t.queue[0]
		t.mu.Unlock()
		if err := t.keeper.Observe(ctx, o); err != nil {
			if !lasting(o.Kind) {
				t.log.Debug("a display missed something", "kind", o.Kind, "error", err)
			} else {
				t.log.Error("the ledger does not take an entry; it will be told again", "entry", o.Kind, "error", err)
				return false
			}
		}
		t.mu.Lock()
		t.queue = t.queue[1:]
		t.mu.Unlock()
	}
}
