package demo

import (
	"context"
	"fmt"
	"time"

	"faultkeep/sources/drivesim"
)

// Event is one thing that happened in the plant, as the drives know it.
type Event struct {
	Time  time.Time
	Drive *Simulated
	Kind  EventKind
	Truth drivesim.Truth // of the incident; zero for EventPowerBack and power cuts without one
}

// EventKind says what happened.
type EventKind string

// The kinds of events.
const (
	EventTrip      EventKind = "trip"
	EventReady     EventKind = "ready"  // the recording can be read
	EventErased    EventKind = "erased" // and can no more
	EventReset     EventKind = "reset"
	EventPowerCut  EventKind = "power cut"
	EventPowerBack EventKind = "power back"
)

// lookEvery is how often the drives are asked what happened.
const lookEvery = 50 * time.Millisecond

// Watch tells of everything that happens in the plant until ctx ends.
func (p *Plant) Watch(ctx context.Context, tell func(Event)) {
	views := make([]view, len(p.Drives))
	for i, d := range p.Drives {
		views[i] = view{drive: d, on: true}
	}
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			for i := range views {
				views[i].look(time.Now(), tell)
			}
		}
	}
}

// view is what was told of one drive.
type view struct {
	drive *Simulated
	first int              // incidents before this one are over
	seen  []drivesim.Truth // from first on, as they were told
	on    bool
	cuts  int
}

func (v *view) look(now time.Time, tell func(Event)) {
	all := v.drive.Incidents(now)
	on, cuts := v.drive.Powered(now)
	for i, truth := range all[v.first:] {
		if i == len(v.seen) {
			v.seen = append(v.seen, drivesim.Truth{})
		}
		v.changes(v.seen[i], truth, tell)
		v.seen[i] = truth
	}
	if cuts != v.cuts && (len(all) == 0 || !all[len(all)-1].ByPower) {
		tell(Event{Time: now, Drive: v.drive, Kind: EventPowerCut})
	}
	if on && !v.on || on && cuts > v.cuts {
		tell(Event{Time: now, Drive: v.drive, Kind: EventPowerBack})
	}
	v.on, v.cuts = on, cuts
	for len(v.seen) > 0 && over(v.seen[0]) {
		v.seen = v.seen[1:]
		v.first++
	}
}

// changes tells of what is new in an incident, in the order in which it happened.
func (v *view) changes(old, now drivesim.Truth, tell func(Event)) {
	cleared := EventReset
	if now.ByPower {
		cleared = EventPowerCut
	}
	for _, c := range []struct {
		kind     EventKind
		was, now time.Time
	}{
		{EventTrip, old.Tripped, now.Tripped}, {EventReady, old.Ready, now.Ready},
		{cleared, old.Reset, now.Reset}, {EventErased, old.Erased, now.Erased},
	} {
		if c.was.IsZero() && !c.now.IsZero() {
			tell(Event{Time: c.now, Drive: v.drive, Kind: c.kind, Truth: now})
		}
	}
}

// over tells whether nothing more can happen in an incident.
func over(t drivesim.Truth) bool {
	recorded := t.Counter == 0 || !t.Erased.IsZero()
	return recorded && (t.FaultCode == 0 || !t.Reset.IsZero())
}

// Words is the event in words; fault is the trip's fault code in words.
func (e Event) Words(fault string) string {
	switch e.Kind {
	case EventTrip:
		if e.Truth.Missing != "" && e.Truth.Missing != drivesim.NoTrigger {
			return fmt.Sprintf("tripped: %s; no recording: %s", fault, e.Truth.Missing)
		}
		return "tripped: " + fault
	case EventReady:
		return fmt.Sprintf("recording %d is ready: %d bytes", e.Truth.Counter, len(e.Truth.Data))
	case EventErased:
		if e.Truth.Ready.IsZero() {
			return fmt.Sprintf("recording %d erased by %s before it was ready", e.Truth.Counter, e.Truth.ErasedBy)
		}
		return fmt.Sprintf("recording %d erased by %s, %s after it was ready", e.Truth.Counter, e.Truth.ErasedBy,
			short(e.Truth.Erased.Sub(e.Truth.Ready)))
	case EventReset:
		return "fault reset by the PLC"
	case EventPowerCut:
		return "power is cut"
	}
	return "power is back"
}
