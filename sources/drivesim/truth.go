package drivesim

import (
	"time"

	"faultkeep/store/capture"
)

// Truth is what really happened in one incident: a trip, a trigger, or both.
// A zero time means: it didn't happen, or not yet.
type Truth struct {
	Number    int    // of the incident on this drive, from 1
	Cause     Cause  // empty for a trigger without one
	FaultCode uint16 // 0: no trip
	Tripped   time.Time
	Reset     time.Time // when the fault was cleared, by reset or power cut
	ByPower   bool      // it was a power cut

	// The recording. Counter 0: none was made, Missing says why.
	Counter   uint32
	Missing   Missing
	Triggered time.Time // the instant of the trigger, whether or not it was recorded
	Clock     time.Time // the same by the drive's clock
	Ready     time.Time // readable from here on
	Erased    time.Time // until here; zero: it's still there
	ErasedBy  ErasedBy

	Interval time.Duration
	Index    int         // number of samples before the trigger
	Data     []byte      // as served, packed: without stride, page or file borders
	Samples  [][]float64 // by channel, before rounding to counts: a decoder is within half a step

	// What the model knows. Zero for patterns.
	Onset      time.Time    // when the disturbance began
	FirstMover capture.Role // the signal that first left what it would have done without the disturbance
	Movers     []Mover      // every signal that did before the trip, first to last
}

// Mover is a signal that left its undisturbed course.
type Mover struct {
	Role capture.Role
	At   time.Time
}

// Lost tells whether the recording was never readable.
func (t Truth) Lost() bool { return t.Ready.IsZero() && !t.Erased.IsZero() }

// Readable is how long the recording was there, until now where it still is.
func (t Truth) Readable(now time.Time) time.Duration {
	switch {
	case t.Ready.IsZero():
		return 0
	case t.Erased.IsZero():
		return now.Sub(t.Ready)
	}
	return t.Erased.Sub(t.Ready)
}

// Missing says why an incident made no recording.
type Missing string

// The reasons.
const (
	NotArmed   Missing = "not armed"
	Occupied   Missing = "still holding an older recording"
	Busy       Missing = "still recording"
	NoTrigger  Missing = "the trigger didn't match"
	NoPowerYet Missing = "power was cut before the trigger"
)

// ErasedBy says what erased a recording.
type ErasedBy string

// The ways.
const (
	ByReset    ErasedBy = "fault reset"
	ByPowerCut ErasedBy = "power cut"
	ByNext     ErasedBy = "next recording"
	ByArming   ErasedBy = "arming"
)

// WriteSeen is a write that arrived at the drive.
type WriteSeen struct {
	Time      time.Time
	Table     string
	Address   uint16
	Words     []uint16
	Kind      WriteKind
	Exception byte // 0: carried out
}

// WriteKind says what a write meant to the drive.
type WriteKind string

// The kinds of writes.
const (
	WritePage    WriteKind = "page"
	WriteArm     WriteKind = "arm"
	WriteSetting WriteKind = "setting"
	WriteReset   WriteKind = "fault reset" // must never be seen
	WriteRefused WriteKind = "refused"     // any other address
)

// Truth tells every incident so far, in order. The first time it is asked about
// an incident it runs the model again, which takes tens of milliseconds.
func (d *Drive) Truth(now time.Time) []Truth {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	for _, in := range d.incidents {
		d.know(in)
	}
	return d.told()
}

// Incidents is Truth at no cost: without Samples and what only the model knows,
// unless Truth was asked before.
func (d *Drive) Incidents(now time.Time) []Truth {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	return d.told()
}

func (d *Drive) told() []Truth {
	out := make([]Truth, len(d.incidents))
	for i, in := range d.incidents {
		out[i] = in.Truth
	}
	return out
}

// Writes are all writes that arrived so far, refused ones too.
func (d *Drive) Writes() []WriteSeen {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]WriteSeen(nil), d.writes...)
}
