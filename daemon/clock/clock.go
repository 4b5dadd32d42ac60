// Package clock watches the PC's own clock, on which every time in the ledger
// rests: it tells when the clock was set, and when it isn't synchronised.
package clock

import (
	"context"
	"fmt"
	"time"
)

// What counts.
const (
	// LeastJump is the least that the clock must be set by to be told.
	LeastJump = 500 * time.Millisecond
	// MostError is the maximum error up to which the clock counts as
	// synchronised. Plain SNTP clients that ask every 34 minutes let the
	// kernel's estimate, which grows by 500 ppm, come to just over a second.
	MostError = 2 * time.Second
	// Patience is how long the clock must have been unsynchronised to be told:
	// after a start it takes minutes to ask the network.
	Patience = 15 * time.Minute
)

// Event is one thing to tell of the clock: that it was set, or whether it is synchronised.
type Event struct {
	At           time.Time     // by the clock as it is now
	Jump         time.Duration // set by so much against the monotonic clock; 0: it wasn't
	MaxError     time.Duration // by the operating system, where Jump is 0
	Synchronised bool
}

// Before is the time that the clock would show now had it not been set.
func (e Event) Before() time.Time { return e.At.Add(-e.Jump) }

// Words are the event in sentences.
func (e Event) Words() string {
	switch {
	case e.Jump > 0:
		return fmt.Sprintf("The PC's clock was set ahead by %s, or the PC slept. Times from before and after don't line up.", lasting(e.Jump))
	case e.Jump < 0:
		return fmt.Sprintf("The PC's clock was set back by %s. Times from before and after overlap.", lasting(-e.Jump))
	case e.Synchronised:
		return fmt.Sprintf("The PC's clock is synchronised again, to within %s.", lasting(e.MaxError))
	}
	return fmt.Sprintf("The PC's clock isn't synchronised: it may be off by %s or more. Let the PC ask a time server, or times of trips can't be compared with other records.", lasting(e.MaxError))
}

func lasting(d time.Duration) string {
	switch {
	case d < time.Second:
		return fmt.Sprintf("%d ms", d.Milliseconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.1f h", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}

// Reading is one look at the clocks.
type Reading struct {
	Wall     time.Time     // the clock that people see
	Steady   time.Duration // the monotonic clock
	MaxError time.Duration // how far off the wall clock may be
	Known    bool          // the operating system told MaxError
}

var start = time.Now()

// Read looks at the PC's clocks.
func Read() Reading {
	now := time.Now()
	r := Reading{Wall: now.Round(0), Steady: now.Sub(start)}
	r.MaxError, r.Known = maxError()
	return r
}

// Watch looks at the clocks every so often until ctx ends, and tells observe
// of what happens. Where the operating system doesn't say how far off the
// clock may be, only jumps are told.
func Watch(ctx context.Context, every time.Duration, observe func(Event)) {
	WatchBy(ctx, every, Read, observe)
}

// WatchBy is Watch with clocks of its own.
func WatchBy(ctx context.Context, every time.Duration, read func() Reading, observe func(Event)) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	w := watcher{last: read()}
	w.since = w.last.Steady
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			for _, e := range w.look(read()) {
				observe(e)
			}
		}
	}
}

// watcher remembers what was seen and told.
type watcher struct {
	last  Reading
	since time.Duration // steady time of the last look that found it synchronised
	told  bool          // that it isn't
}

func (w *watcher) look(r Reading) (events []Event) {
	// Only from one look to the next, so that slow drift of the two clocks
	// against one another never adds up to a jump.
	jump := r.Wall.Sub(w.last.Wall) - (r.Steady - w.last.Steady)
	if jump.Abs() >= LeastJump {
		events = append(events, Event{At: r.Wall.UTC(), Jump: jump})
	}
	w.last = r
	if !r.Known {
		return events
	}
	switch synchronised := r.MaxError < MostError; {
	case synchronised:
		w.since = r.Steady
		if w.told {
			w.told = false
			events = append(events, Event{At: r.Wall.UTC(), MaxError: r.MaxError, Synchronised: true})
		}
	case !w.told && r.Steady-w.since >= Patience:
		w.told = true
		events = append(events, Event{At: r.Wall.UTC(), MaxError: r.MaxError})
	}
	return events
}
