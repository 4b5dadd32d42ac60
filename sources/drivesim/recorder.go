package drivesim

import (
	"hash/crc32"
	"time"

	"faultkeep/store/capture"
)

// trigger starts a recording for the incident, if the recorder is armed.
func (d *Drive) trigger(in *incident) {
	if d.pending == in && d.due[evTrip].IsZero() {
		d.pending = nil
	}
	in.Triggered = d.now
	in.Clock = d.now.Add(d.spec.Clock)
	if in.Missing = d.deaf(); in.Missing != "" {
		in.drop()
		return
	}
	d.erase(ByNext)
	d.counter++
	in.Counter = d.counter
	in.made = d.spec.Recorder
	d.held, d.state = in, capture.Recording
	d.due[evReady] = d.now.Add(in.made.after() + in.made.Process)
}

// deaf says why the recorder wouldn't take a trigger; empty: it would.
func (d *Drive) deaf() Missing {
	switch {
	case d.state == capture.Recording:
		return Busy
	case d.state == capture.Ready && !d.spec.Recorder.Overwrite:
		return Occupied
	case d.state == capture.Idle:
		return NotArmed
	}
	return ""
}

// drop forgets rows that no recording needs any more.
func (in *incident) drop() {
	if in.course != nil {
		in.course.rows = nil
	}
}

func (d *Drive) ready() {
	d.held.Ready = d.now
	d.fill(d.held)
	d.state = capture.Ready
}

// erase empties the memory; the state is the caller's to set.
func (d *Drive) erase(by ErasedBy) {
	d.due[evReady] = time.Time{}
	if d.held == nil {
		return
	}
	d.held.drop()
	d.held.Erased, d.held.ErasedBy = d.now, by
	d.held = nil
}

// arm is what the arm write does. It empties the memory at once: from here on
// the samples before the next trigger go there.
func (d *Drive) arm() (exception byte) {
	switch d.state {
	case capture.Recording:
		return excBusy
	case capture.Armed:
		return 0
	}
	d.erase(ByArming)
	d.state = capture.Idle
	d.due[evArmed] = time.Time{}
	if takes := d.spec.Recorder.ArmTakes; takes > 0 {
		d.due[evArmed] = d.now.Add(takes)
	} else {
		d.armed()
	}
	return 0
}

func (d *Drive) armed() { d.state = capture.Armed }

// present is the recording that can be read, or nil.
func (d *Drive) present() *incident {
	if d.state != capture.Ready {
		return nil
	}
	return d.held
}

// checksum over the data as transmitted, 0 where the drive has none.
func checksum(kind Checksum, data []byte) uint64 {
	switch kind {
	case CRC16:
		return uint64(crc16(data))
	case CRC32:
		return uint64(crc32.ChecksumIEEE(data))
	case Sum:
		return uint64(registerSum(data))
	}
	return 0
}

// fill writes the incident's samples into the recorder's memory.
func (d *Drive) fill(in *incident) {
	r := in.made
	in.Interval, in.Index = r.Interval, r.before()
	samples := d.samplesOf(in)
	w := width(r.Type)
	data := make([]byte, 0, 2*w*len(r.Channels)*r.Samples)
	put := func(ch, i int) {
		c := codingOf(r.Channels[ch], r.Type)
		data = appendWords(data, number(c.typ, (samples[ch][i]-c.offset)/c.scale), w, r.WordOrder)
	}
	if r.Order == capture.Interleaved {
		for i := range r.Samples {
			for ch := range r.Channels {
				put(ch, i)
			}
		}
	} else {
		for ch := range r.Channels {
			for i := range r.Samples {
				put(ch, i)
			}
		}
	}
	in.Data = data
}

// Trip lets a cause begin such that the drive trips now; false if it isn't running.
func (d *Drive) Trip(now time.Time, cause Cause) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	return d.incident(cause)
}

// Trigger lets the recorder trigger now without a trip, as on a level or a bit.
func (d *Drive) Trigger(now time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	if d.off {
		return
	}
	in := &incident{Truth: Truth{Number: len(d.incidents) + 1}}
	d.incidents = append(d.incidents, in)
	d.steady(in)
	d.trigger(in)
}

// Replace puts another finished recording into the memory at once, as a drive
// does that triggers again within one poll.
func (d *Drive) Replace(now time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	if d.off {
		return
	}
	in := &incident{Truth: Truth{Number: len(d.incidents) + 1}}
	d.incidents = append(d.incidents, in)
	d.steady(in)
	d.erase(ByNext)
	d.state = capture.Armed
	d.trigger(in)
	d.due[evReady] = time.Time{}
	d.ready()
}

// Reset resets the fault now, as the PLC or a person does.
func (d *Drive) Reset(now time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	if !d.off {
		d.reset()
	}
}

// CutPower takes the power away now and gives it back after length.
func (d *Drive) CutPower(now time.Time, length time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	d.powerOff(length)
}

// Rest ends the plan: from now on nothing goes wrong by itself. What is under
// way takes its course, the reset or power cut that was drawn for it included.
func (d *Drive) Rest(now time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	d.spec.Plan.Mean, d.spec.Plan.At = 0, nil
	d.due[evPlan] = time.Time{}
}

// Arm arms the recorder now, as somebody at the drive's panel does.
func (d *Drive) Arm(now time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	if !d.off {
		d.arm()
	}
}

// Disarm stops the recorder now without erasing what it holds.
func (d *Drive) Disarm(now time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	d.due[evArmed] = time.Time{}
	if d.state == capture.Armed {
		d.state = capture.Idle
	}
}

// Configure changes the recorder's settings now, as somebody at the panel does.
// Changes that need other registers (types, orders, checksum) panic if impossible.
func (d *Drive) Configure(now time.Time, change func(*Recorder)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	spec := d.spec
	change(&spec.Recorder)
	if err := spec.check(); err != nil {
		panic(err)
	}
	d.spec = spec
	d.layout = layoutOf(spec)
}

// State is the recorder's state.
func (d *Drive) State(now time.Time) capture.RecorderState {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	return d.state
}

// Powered tells whether the drive has power, and how often it has lost it:
// connections from before a cut are dead.
func (d *Drive) Powered(now time.Time) (on bool, cuts int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	return !d.off, d.cuts
}
