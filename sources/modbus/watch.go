package modbus

import (
	"context"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/modbus/link"
	"faultkeep/store/capture"
)

// watch is the state of watching one drive. It belongs to one goroutine.
type watch struct {
	*Drive
	keeper sources.Keeper
	guard  *link.Guard
	poller *poller
	header *reading

	cover       coverage
	incident    *incident
	held        *held            // the recording on the drive that needs no more pulling
	earlier     *sources.Earlier // what earlier runs left to know; nil: not asked yet
	started     bool             // the drafts that an earlier run left were looked after
	interrupted bool             // a pull was left for later
	previous    capture.RecorderState
	clear       time.Time // last poll that showed no fault
	tripped     bool      // as of the last poll
	count       faultCount
	trace       trace
	arming      arming
	lostRace    bool // told that the race can't be won
	settings    settings
	teller      *teller
}

func newWatch(d *Drive, k sources.Keeper) *watch {
	w := &watch{Drive: d, keeper: k,
		poller: newPoller(d.line, d.Map),
		header: newReading(d.line, d.Map, d.Map.HeaderValues()),
		cover:  coverage{begin: time.Now()},
		trace:  newTrace(d),
		teller: newTeller(k, d.Log),
	}
	w.guard = link.NewGuard(d.Endpoint, d.line.unit, d.Map, d.Config.Allow, w.wrote)
	d.show(func(n *Now) {
		n.Race = Race{Poll: d.poll(), ResetAfter: time.Duration(d.Config.ResetAfter), Connections: d.workers()}
	})
	return w
}

// step is one poll and all that follows from it.
func (w *watch) step(ctx context.Context) {
	w.recover(ctx)
	s, err := w.sample(ctx)
	if err != nil {
		if ctx.Err() == nil {
			w.unreachable(err)
		}
		return
	}
	w.reached(s)
	w.trace.add(s)
	w.trip(ctx, s)
	w.look(ctx, s)
	w.settle(ctx, s)
	w.rearm(ctx)
	w.verifySettings(ctx)
	w.judgeRace()
	w.traceDue(ctx)
}

// sample polls, with the live values where a trace is wanted. Live values that
// the drive refuses must not keep it from being watched.
func (w *watch) sample(ctx context.Context) (status, error) {
	if !w.trace.on() {
		return w.poller.poll(ctx, w.held != nil)
	}
	s, err := w.poller.sample(ctx, w.held != nil)
	if !sources.IsPermanent(err) {
		return s, err
	}
	if s, polled := w.poller.poll(ctx, w.held != nil); polled == nil {
		w.trace.values = nil
		w.trouble("the live values can't be read, so there is no trace; look at live: in the map. " + err.Error())
		return s, nil
	}
	return s, err
}

// recover takes up a trip that an earlier run saw and could not settle.
func (w *watch) recover(ctx context.Context) {
	if w.earlier != nil {
		return
	}
	e, err := w.keeper.Earlier(ctx, w.Config.Name)
	if err != nil {
		return // asked again at the next poll
	}
	w.earlier = &e
	if t := e.Trip; t != nil {
		w.tripped = true
		w.incident = &incident{fault: t.Fault, tripped: true, latest: t.Time, earliest: t.Time, named: true, stopped: true}
	}
}

// interval is the time to the next poll: shorter while a tripped drive is
// still recording, since the moment at which it is done decides the race.
func (w *watch) interval() time.Duration {
	if w.incident != nil && w.previous == capture.Recording {
		return max(min(fastest, w.poll()), w.poll()/4)
	}
	return w.poll()
}

// trip begins an incident where a poll shows a fault for the first time, or a
// recorder that left the armed state without one.
func (w *watch) trip(ctx context.Context, s status) {
	w.count.read(w, s)
	first := w.previous == ""
	fresh := s.Tripped && !w.tripped
	active := s.State == capture.Recording || s.State == capture.Ready && w.held == nil
	if i := w.incident; i != nil && i.told && (fresh || active) {
		w.incident = nil // another trip on top of one that was kept already, its reset perhaps unseen
	}
	if i := w.incident; i != nil && i.stopped && first && s.Tripped &&
		(s.Code != 0 && s.Code != i.fault.Code || w.count.away > 0) {
		// Another trip came while faultkeep was not running: the old one left nothing.
		w.miss(capture.CauseNotRunning, lostWhileStopped, adviceRunning)
		w.incident, fresh = nil, true
	}
	if w.incident == nil && (fresh || active) {
		w.incident = &incident{fault: unfaulted, before: w.previous, notReady: w.cover.previous, found: first}
	}
	seen := false
	if i := w.incident; i != nil && s.Tripped && !i.tripped && (fresh || active) {
		seen = true
		i.tripped, i.latest, i.earliest = true, s.To, w.clear
		i.fault = w.fault(s.Code)
		w.traceIncident(ctx, i)
	}
	if i := w.incident; i != nil {
		// Registers need not change in one instant: the code may come a poll later than the bit.
		i.codeDue = seen && s.Code == 0 && w.Map.Status.FaultCode != nil
		if i.tripped && s.Tripped {
			w.name(i, s)
		}
		if !i.found {
			w.announce(i)
		}
		i.saw(s)
	}
	if !s.Tripped {
		w.clear = s.From
		if w.tripped {
			w.observe(sources.Observation{Kind: sources.SeenCleared, Time: s.To})
		}
	}
	w.count.account(w.incident, s, seen, first)
	w.count.tell(w, s)
	w.tripped = s.Tripped
	if s.State != w.previous {
		w.observe(sources.Observation{Kind: sources.SeenState, Time: s.To, State: s.State})
		w.previous = s.State
	}
	w.show(func(n *Now) {
		n.State, n.Tripped, n.Fault = s.State, s.Tripped, capture.Fault{}
		if s.Tripped && w.incident != nil {
			n.Fault = w.incident.fault
		}
	})
	w.showIncident()
}

// showIncident says whether a trip or recording waits to be kept or missed.
func (w *watch) showIncident() {
	w.show(func(n *Now) {
		switch i := w.incident; {
		case i == nil:
			n.Pending = time.Time{}
		case i.told:
			n.Pending, n.Kept = time.Time{}, i.id != ""
		default:
			if n.Pending.IsZero() {
				n.Pending = time.Now().UTC()
			}
			n.Kept = false
		}
	})
}

// name gives an incident the fault code that a poll showed, if it had none.
func (w *watch) name(i *incident, s status) {
	if i.fault.Code == 0 && s.Code != 0 {
		i.fault = w.fault(s.Code)
	}
}

// announce tells a trip, once, with its code.
func (w *watch) announce(i *incident) {
	if i.tripped && !i.named && !i.known && !i.codeDue {
		i.named = true
		w.observe(sources.Observation{Kind: sources.SeenTrip, Time: i.latest, Fault: i.fault, Text: i.fault.String()})
	}
}

// look pulls a recording that isn't held yet.
func (w *watch) look(ctx context.Context, s status) {
	if s.State != capture.Ready {
		if !w.started || w.interrupted {
			w.closeDrafts(ctx, "")
		}
		if w.held != nil && w.held.here {
			w.erased(w.held.ready, w.cover.previous)
		}
		w.held = nil
		return
	}
	same, err := w.stillHeld(ctx, s)
	if err != nil {
		w.unreachable(err)
		return
	}
	if same {
		w.keptEarlier(ctx)
		return
	}
	w.held = nil
	if w.incident == nil || w.incident.told {
		w.trip(ctx, s) // another recording took its place unseen
	}
	w.announce(w.incident)
	w.take(ctx, s)
}

// settle ends an incident that is over, and tells a miss where nothing was kept.
func (w *watch) settle(ctx context.Context, s status) {
	i := w.incident
	if i == nil {
		return
	}
	recorder := s.State == capture.Recording || s.State == capture.Ready && w.held == nil
	over := !w.tripped && !recorder
	w.announce(i)
	if recorder || s.State == capture.Armed {
		i.inactive = 0
	} else {
		i.inactive++
	}
	switch {
	case i.told || !over && i.inactive < fewPolls:
	case i.known, i.found && over && !i.counted && w.keptBefore(ctx, i.fault):
		i.told = true
	default:
		cause, text, advice := i.miss(w.Now().Race)
		w.miss(cause, text, advice)
	}
	if over {
		w.incident = nil
	}
}

// keptEarlier looks at an incident that was there at our first look, where the
// drive holds a recording that an earlier run kept: is it of that incident?
func (w *watch) keptEarlier(ctx context.Context) {
	switch i := w.incident; {
	case i == nil || i.told || !i.found && !i.stopped:
	case i.fault == counted: // no trip at all: only the recording was taken for one
		w.count.away++
		i.told = true
	case !i.counted && !i.stopped && (!i.tripped || w.keptBefore(ctx, i.fault)):
		i.known = true
	default:
		i.ready = time.Time{} // of an earlier trip: there is none of this one
	}
}

// keptBefore tells whether a fault that was there already at our first look is
// the one that an earlier run kept last.
func (w *watch) keptBefore(ctx context.Context, f capture.Fault) bool {
	last, found, err := w.keeper.Last(ctx, w.Config.Name)
	return err == nil && found && last.Capture.Fault.Code == f.Code
}

// miss tells that the incident left no capture.
func (w *watch) miss(cause capture.Cause, text, advice string) {
	i := w.incident
	i.told = true
	at := i.latest
	if at.IsZero() {
		at = time.Now()
	}
	w.observe(sources.Observation{Kind: sources.SeenMiss, Time: at, Cause: cause, Fault: i.fault, Text: text, Advice: advice})
}

// observe tells the ledger, without waiting for it.
func (w *watch) observe(o sources.Observation) {
	o.Drive, o.Title = w.Config.Name, w.Title()
	if o.Time.IsZero() {
		o.Time = time.Now()
	}
	o.Time = o.Time.UTC()
	w.teller.tell(o)
}

// trouble tells live displays and the log of something to mend.
func (w *watch) trouble(text string) {
	w.Log.Warn(text)
	w.observe(sources.Observation{Kind: sources.SeenTrouble, Text: text})
}

// wrote puts a write into the ledger; the Guard calls it after each.
func (w *watch) wrote(written link.Written) {
	if written.Kind == link.Page {
		return // hundreds a recording, and they change nothing that lasts
	}
	text := "Wrote " + written.Text + "."
	if written.Err != nil {
		text = "Wrote " + written.Text + "; the drive did not confirm it: " + written.Err.Error()
	}
	w.observe(sources.Observation{Kind: sources.SeenWrote, Text: text, Writes: []string{written.Text}})
}
