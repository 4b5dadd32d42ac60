package drivesim

import (
	"math/rand/v2"
	"sync"
	"time"

	"faultkeep/store/capture"
)

// Drive is one simulated drive. It is safe for concurrent use.
type Drive struct {
	mu     sync.Mutex
	spec   Spec
	layout *layout
	rng    *rand.Rand
	start  time.Time
	now    time.Time // everything due until here has happened
	due    [events]time.Time

	off      bool
	cuts     int // power cuts so far
	fault    uint16
	faults   int
	tripped  *incident // whose fault is shown
	pending  *incident // whose trip or trigger is still to come
	planned  int       // trips of Plan.At used up
	state    capture.RecorderState
	counter  uint32
	held     *incident // whose recording is in memory, ready or in the making
	page     uint16    // shown
	nextPage uint16    // selected

	incidents []*incident
	writes    []WriteSeen
}

// incident is a Truth in the making.
type incident struct {
	Truth
	made   Recorder // the settings it was made with
	course *course  // nil for patterns
}

// Events that come due. Of two at the same instant the first in this list happens first.
const (
	evPower   = iota // power returns
	evCut            // power goes
	evReady          // the last sample is taken and processed
	evTrigger        // the recorder's trigger, where it comes after the trip
	evTrip           // the trip, where it comes after the trigger
	evReset          // the PLC resets
	evArmed          // arming has taken effect
	evPage           // the selected page shows
	evPlan           // the next planned incident
	events
)

// New makes a drive that runs, and whose recorder is armed, from start on.
// It panics if the spec is impossible.
func New(spec Spec, start time.Time) *Drive {
	spec = spec.complete()
	if err := spec.check(); err != nil {
		panic(err)
	}
	d := &Drive{spec: spec, start: start, now: start, state: capture.Armed,
		rng: rand.New(rand.NewPCG(spec.Seed, 0x6472697665))}
	d.layout = layoutOf(spec)
	d.plan()
	return d
}

// Spec is the drive's spec with its defaults filled in.
func (d *Drive) Spec() Spec {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.spec
}

// Next is the time of the next thing that will happen by itself, zero if nothing will.
func (d *Drive) Next(now time.Time) time.Time {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	_, at := d.next()
	return at
}

func (d *Drive) next() (event int, at time.Time) {
	for e, t := range d.due {
		if !t.IsZero() && (at.IsZero() || t.Before(at)) {
			event, at = e, t
		}
	}
	return event, at
}

// advance lets everything happen that was due until now. A caller whose clock
// reading is older than another's sees the later state.
func (d *Drive) advance(now time.Time) {
	if !now.After(d.now) {
		return
	}
	for {
		e, at := d.next()
		if at.IsZero() || at.After(now) {
			break
		}
		d.due[e] = time.Time{}
		d.now = at
		d.happen(e)
	}
	d.now = now
}

func (d *Drive) happen(event int) {
	switch event {
	case evPower:
		d.powerOn()
	case evCut:
		d.powerOff(d.spec.Plan.CutFor)
	case evReady:
		d.ready()
	case evTrigger:
		d.trigger(d.pending)
	case evTrip:
		d.trip(d.pending)
	case evReset:
		d.reset()
	case evArmed:
		d.armed()
	case evPage:
		d.page = d.nextPage
	case evPlan:
		causes := d.spec.Plan.Causes
		if len(causes) == 0 || !d.incident(causes[d.rng.IntN(len(causes))]) {
			d.plan()
		}
	}
}

// plan sets the next incident, from now on.
func (d *Drive) plan() {
	p := d.spec.Plan
	d.due[evPlan] = time.Time{}
	for d.planned < len(p.At) {
		at := d.start.Add(p.At[d.planned])
		d.planned++
		if at.After(d.now) || d.now.Equal(d.start) {
			d.due[evPlan] = at
			return
		}
	}
	if p.Mean > 0 {
		wait := time.Duration(d.rng.ExpFloat64() * float64(p.Mean))
		d.due[evPlan] = d.now.Add(max(wait, p.Least))
	}
}

// running tells whether the machine runs, so that something can go wrong.
func (d *Drive) running() bool { return !d.off && d.fault == 0 && d.pending == nil }

// incident lets a cause begin; false if the drive isn't running or the cause
// had no effect.
func (d *Drive) incident(cause Cause) bool {
	if !d.running() {
		return false
	}
	in := &incident{Truth: Truth{Number: len(d.incidents) + 1, Cause: cause}}
	trip, trigger, happens, triggered := d.unfold(in)
	if !happens {
		return false
	}
	d.incidents = append(d.incidents, in)
	switch {
	case !triggered:
		in.Missing = NoTrigger
		in.drop()
		d.trip(in)
	case trip == trigger:
		d.trip(in)
		d.trigger(in)
	case trigger < trip:
		d.pending = in
		d.due[evTrip] = d.now.Add(trip - trigger)
		d.trigger(in)
	default:
		d.pending = in
		d.due[evTrigger] = d.now.Add(trigger - trip)
		d.trip(in)
	}
	return true
}

// trip shows the incident's fault and draws what the plant does about it.
func (d *Drive) trip(in *incident) {
	if d.pending == in && d.due[evTrigger].IsZero() {
		d.pending = nil
	}
	d.fault, d.tripped = in.FaultCode, in
	d.faults++
	in.Tripped = d.now
	p := d.spec.Plan
	if p.ResetMax <= 0 {
		return
	}
	delay := p.ResetMin + time.Duration(d.rng.Float64()*float64(p.ResetMax-p.ResetMin))
	if d.rng.Float64() < p.CutChance {
		d.due[evCut] = d.now.Add(time.Duration(d.rng.Float64() * float64(delay)))
		return
	}
	d.due[evReset] = d.now.Add(delay)
}

// reset clears the fault; the machine runs again.
func (d *Drive) reset() {
	d.due[evReset], d.due[evCut] = time.Time{}, time.Time{}
	d.cleared(false)
	d.dropPending(NoTrigger)
	r := d.spec.Recorder
	if d.held != nil && !r.KeepsOverReset {
		d.erase(ByReset)
		d.state = capture.Idle
	}
	if d.state == capture.Idle && r.SelfArm {
		d.state = capture.Armed
	}
	if d.due[evPlan].IsZero() {
		d.plan()
	}
}

func (d *Drive) cleared(byPower bool) {
	if d.tripped != nil {
		d.tripped.Reset, d.tripped.ByPower = d.now, byPower
	}
	d.fault, d.tripped = 0, nil
}

// dropPending forgets a trip or trigger that can no longer come.
func (d *Drive) dropPending(why Missing) {
	if d.pending != nil && d.pending.Triggered.IsZero() {
		d.pending.Missing = why
		d.pending.drop()
	}
	d.pending = nil
	d.due[evTrip], d.due[evTrigger] = time.Time{}, time.Time{}
}

func (d *Drive) powerOff(length time.Duration) {
	d.off = true
	d.cuts++
	d.cleared(true)
	d.dropPending(NoPowerYet)
	d.erase(ByPowerCut)
	d.state = capture.Idle
	d.page, d.nextPage = 0, 0
	if d.spec.Recorder.VolatileCounter {
		d.counter = 0
	}
	d.due = [events]time.Time{evPower: d.now.Add(length)}
}

func (d *Drive) powerOn() {
	d.off = false
	if d.spec.Recorder.SelfArm {
		d.state = capture.Armed
	}
	d.plan()
}
