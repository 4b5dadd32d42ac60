// Package sources says what a source of recordings is, and what a source
// needs of the store. The rooms below it (modbus, folder) are the sources.
package sources

import (
	"context"
	"time"

	"faultkeep/store/capture"
)

// Source watches one drive or folder until ctx ends. It reconnects by itself
// and hands everything it finds to the Keeper.
type Source interface {
	Name() string
	Watch(ctx context.Context, k Keeper) error
}

// Keeper is what a source needs of the store.
type Keeper interface {
	// Draft begins a capture, or resumes the open draft with the same drive,
	// identity and encoding. opening holds what is known before the data is
	// read; its ID is set (capture.NewID). A resumed draft's Opening is the
	// one it was begun with.
	Draft(ctx context.Context, opening capture.Capture) (Draft, error)
	// Drafts are the drive's open drafts, oldest first.
	Drafts(ctx context.Context, drive string) ([]Draft, error)
	// Last is the drive's newest capture made from a recording.
	// found is false where there is none.
	Last(ctx context.Context, drive string) (last Kept, found bool, err error)
	// Earlier is what earlier runs left to know of a drive.
	Earlier(ctx context.Context, drive string) (Earlier, error)
	// Observe tells what was seen. What the ledger or the outbox needs of it
	// is durable when Observe returns.
	Observe(ctx context.Context, o Observation) error
}

// Draft is a capture still being pulled. It survives a crash.
type Draft interface {
	Opening() capture.Capture
	// Have are the byte ranges of part capture.Data that are durable, ascending.
	Have() []capture.Range
	// Bytes reads n original bytes back; ok is false where any is missing.
	Bytes(part string, offset int64, n int) (b []byte, ok bool, err error)
	// Append makes chunks durable. Appending the same bytes again is harmless.
	Append(ctx context.Context, chunks ...capture.Chunk) error
	// Keep makes the draft a capture, in one transaction with its ledger entry
	// and its alert; rest are last chunks not appended yet. It returns nil only
	// when the capture is durable and was read back. Only then may anything be
	// done that could erase the recording. c.Integrity says whether it is whole.
	Keep(ctx context.Context, c capture.Capture, rest ...capture.Chunk) (capture.Capture, error)
	// Drop removes a draft that holds no data.
	Drop(ctx context.Context) error
}

// Kept is a capture that can be compared with what a drive holds now.
type Kept struct {
	Capture capture.Capture
	Bytes   func(part string, offset int64, n int) (b []byte, ok bool, err error)
}

// Earlier is what earlier runs left to know of a drive.
type Earlier struct {
	Trip  *Observation // its newest trip (SeenTrip), if neither a capture nor a miss followed it; nil: none
	Count int64        // its fault count as accounted for last (SeenCount); −1: never
	Trips int          // trips (SeenTrip) after that
}

// Observation is one thing a source saw or did. Kinds not marked "ledger" are
// for live displays only.
type Observation struct {
	Time  time.Time
	Drive string
	Title string
	Kind  Seen

	State  capture.RecorderState // SeenState
	Cause  capture.Cause         // SeenBlind, SeenMiss: why
	Fault  capture.Fault         // SeenTrip, SeenMiss, and the alert of a kept capture
	ID     capture.ID            // SeenKept, SeenPulling
	Text   string                // one sentence; times and addresses in it where they help
	Advice string                // SeenMiss, SeenBlind: what to do

	Since   time.Time     // SeenBlind: the last good poll
	Done    int64         // SeenPulling, SeenKept: bytes so far
	Size    int64         // SeenPulling: bytes in all
	Took    time.Duration // SeenKept: from ready to kept
	Pull    time.Duration // SeenKept: that reading it took; 0: not known
	Partial bool          // SeenKept
	Writes  []string      // SeenWrote: "holding 40 = 1", one a write
	Count   int64         // SeenCount
}

// Seen is the kind of an Observation.
type Seen string

// What a source can see or do.
const (
	SeenWatched  Seen = "watched"   // ledger: reachable and armed (or recording or ready) from Time on
	SeenBlind    Seen = "blind"     // ledger: not watched from Since on, with Cause
	SeenState    Seen = "state"     // the recorder's state changed
	SeenTrip     Seen = "tripped"   // ledger: the drive shows a fault
	SeenCleared  Seen = "cleared"   // the fault is gone
	SeenPulling  Seen = "pulling"   // a pull began or went on
	SeenKept     Seen = "kept"      // a capture was kept (the store wrote its ledger entry in Keep)
	SeenMiss     Seen = "missed"    // ledger and alert: a fault without a recording
	SeenArmed    Seen = "armed"     // the recorder shows armed again
	SeenNotArm   Seen = "not armed" // arming was tried or is not allowed, and the recorder isn't armed
	SeenWrote    Seen = "wrote"     // ledger: registers were written
	SeenDrift    Seen = "drift"     // ledger and alert: settings aren't the wanted ones
	SeenAsWanted Seen = "as wanted" // ledger: settings are the wanted ones
	SeenRace     Seen = "race"      // ledger and alert: the race of this drive can't be won, or can again
	SeenCount    Seen = "counted"   // ledger: Count is the drive's fault count, all of it accounted for
	SeenTrouble  Seen = "trouble"   // something to mend: a map that doesn't fit, a store that doesn't write
)
