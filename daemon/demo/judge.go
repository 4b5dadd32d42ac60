package demo

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// Evidence is one drive's side of a run: what really happened to it, and what
// faultkeep kept and told of it.
type Evidence struct {
	Drive    string
	Truths   []drivesim.Truth
	Captures []Kept
	Misses   []capture.Miss
	Spells   []capture.Spell
	Need     time.Duration // for which a recording must stay readable to be winnable
	Stalls   []Period      // in which the simulation stood still, so that nobody could read the drive
	End      time.Time     // when the watching ended: what is there then counts as standing until then
}

// Kept is a capture with its original bytes, zeros where Integrity.Have has none.
type Kept struct {
	Capture capture.Capture
	Data    []byte
}

// Verdict is what comes of holding evidence against the truth. Recordings are
// counted where they became ready, and each once, however often it was kept.
type Verdict struct {
	Trips      int
	Recordings int      // that became ready
	Winnable   int      // of these: stood long enough to be kept for certain
	Kept       int      // recordings of which a capture holds every byte
	Partial    int      // recordings of which only a part was kept
	Misses     int      // as the ledger has them
	Spells     int      // blind spells, as the ledger has them
	Mixed      int      // captures with a byte that isn't of the recording they claim: must be 0
	Untold     int      // trips of which there is no capture, no miss and no blind spell: must be 0
	Doubled    int      // captures of a recording of which another holds every byte
	Unfounded  int      // misses that tell of no trip, or of one that was kept
	Lost       []string // a sentence for each winnable recording that wasn't kept whole
	Faults     []string // and for everything else that must not be
}

// Good tells whether every promise was kept.
func (v Verdict) Good() bool { return len(v.Lost) == 0 && v.Mixed == 0 && v.Untold == 0 }

// Judge holds one drive's evidence against the truth.
func Judge(e Evidence) Verdict {
	v := Verdict{Misses: len(e.Misses), Spells: len(e.Spells)}
	captures := e.assign(&v)
	var silent []drivesim.Truth // trips of which nothing was kept
	for i, truth := range e.Truths {
		if !truth.Tripped.IsZero() {
			v.Trips++
			if len(captures[i]) == 0 {
				silent = append(silent, truth)
			}
		}
		if truth.Ready.IsZero() {
			continue
		}
		v.Recordings++
		whole := slices.ContainsFunc(captures[i], Kept.whole)
		switch {
		case whole:
			v.Kept++
			v.Doubled += len(captures[i]) - 1
		case len(captures[i]) > 0:
			v.Partial++
		}
		if e.winnable(truth) {
			v.Winnable++
			if !whole {
				v.Lost = append(v.Lost, e.lost(truth, captures[i]))
			}
		}
	}
	e.told(silent, &v)
	return v
}

// winnable tells whether a recording stood long enough. One that faultkeep
// erased itself did: it arms only what it has kept.
func (e Evidence) winnable(t drivesim.Truth) bool {
	return t.ErasedBy == drivesim.ByArming || e.readable(t) >= e.Need
}

// readable is how long a recording could be read.
func (e Evidence) readable(t drivesim.Truth) time.Duration {
	stood := t.Readable(e.End)
	return stood - within(e.Stalls, t.Ready, t.Ready.Add(stood))
}

// assign finds for each truth the captures that claim to be of it, and counts
// those that are of something else.
func (e Evidence) assign(v *Verdict) map[int][]Kept {
	out := map[int][]Kept{}
	for _, k := range e.Captures {
		i, ok := e.claimed(k.Capture)
		if !ok {
			v.Mixed++
			v.Faults = append(v.Faults, fmt.Sprintf("Capture %s is of no recording that %s ever made.", k.Capture.ID, e.Drive))
			continue
		}
		if at, ok := k.differs(e.Truths[i].Data); !ok {
			v.Mixed++
			v.Faults = append(v.Faults, fmt.Sprintf("Capture %s claims to be of %s and differs from it %s.", k.Capture.ID, e.name(e.Truths[i]), at))
			continue
		}
		out[i] = append(out[i], k)
	}
	return out
}

// claimed is the recording that a capture claims to be of: the one with its
// number, where the drive numbers them, else and among several the one that
// triggered nearest to when the capture says.
func (e Evidence) claimed(c capture.Capture) (int, bool) {
	number, numbered := counterOf(c.Provenance.Identity)
	best, ok := 0, false
	var least time.Duration
	for i, t := range e.Truths {
		if t.Counter == 0 || numbered && t.Counter != number {
			continue
		}
		off := outside(t.Triggered, c.Trigger.Earliest, c.Trigger.Latest)
		if !ok || off < least {
			best, least, ok = i, off, true
		}
	}
	return best, ok
}

// counterOf reads the recording's number from an identity such as
// "recording number=17 trigger time=…".
func counterOf(identity string) (uint32, bool) {
	_, rest, ok := strings.Cut(identity, "recording number=")
	if !ok {
		return 0, false
	}
	digits, _, _ := strings.Cut(rest, " ")
	n, err := strconv.ParseUint(digits, 10, 32)
	return uint32(n), err == nil
}

// outside is how far t is from the period, 0 inside.
func outside(t, from, to time.Time) time.Duration {
	if from.IsZero() {
		from = to
	}
	return max(0, from.Sub(t), t.Sub(to))
}

// differs holds every byte that is present against the truth.
func (k Kept) differs(truth []byte) (at string, ok bool) {
	if len(k.Data) > len(truth) || k.Capture.Integrity.Size != int64(len(truth)) {
		return fmt.Sprintf("in size: %d bytes, %d were made", k.Capture.Integrity.Size, len(truth)), false
	}
	for _, r := range k.Capture.Integrity.Have {
		if r.End > int64(len(k.Data)) {
			return fmt.Sprintf("in size: it says that it has byte %d", r.End-1), false
		}
		if !bytes.Equal(k.Data[r.Start:r.End], truth[r.Start:r.End]) {
			return fmt.Sprintf("between bytes %d and %d", r.Start, r.End), false
		}
	}
	if k.Capture.Integrity.Whole && !k.complete() {
		return "in that it calls itself whole and isn't", false
	}
	return "", true
}

func (k Kept) complete() bool {
	have := k.Capture.Integrity.Have
	return len(have) == 1 && have[0] == capture.Range{Start: 0, End: k.Capture.Integrity.Size}
}

func (k Kept) whole() bool { return k.Capture.Integrity.Whole }

// told looks for the miss of every trip of which nothing was kept: the one
// nearest in time that tells of no other. The count of faults, read when a
// drive can be reached again, tells of trips much later and without their code.
func (e Evidence) told(silent []drivesim.Truth, v *Verdict) {
	const soon, late = 2 * time.Second, 25 * time.Second
	spoken := make([]bool, len(e.Misses))
	silent = slices.Clone(silent)
	for _, far := range []time.Duration{soon, late} {
		silent = slices.DeleteFunc(silent, func(t drivesim.Truth) bool { return e.claim(spoken, t, far) })
	}
	for _, t := range silent {
		if e.unwatched(t.Tripped) {
			continue
		}
		v.Untold++
		v.Faults = append(v.Faults, fmt.Sprintf("%s left no capture, no miss and no blind spell.", e.name(t)))
	}
	for i, m := range e.Misses {
		if !spoken[i] {
			v.Unfounded++
			v.Faults = append(v.Faults, fmt.Sprintf("The miss of %s at %s (%s) tells of no trip that left nothing.", m.Fault, clock(m.Time), m.Cause))
		}
	}
}

func (e Evidence) claim(spoken []bool, t drivesim.Truth, far time.Duration) bool {
	best := -1
	for i, m := range e.Misses {
		fits := m.Fault.Code == 0 || m.Fault.Code == uint32(t.FaultCode)
		if off := m.Time.Sub(t.Tripped).Abs(); fits && !spoken[i] && off < far {
			best, far = i, off
		}
	}
	if best >= 0 {
		spoken[best] = true
	}
	return best >= 0
}

// unwatched tells whether the ledger says that nobody could look at that time.
// A recorder that isn't armed is no excuse: its drive's trips can be seen.
func (e Evidence) unwatched(at time.Time) bool {
	return slices.ContainsFunc(e.Spells, func(s capture.Spell) bool {
		return s.Cause != capture.CauseNotArmed && !s.From.After(at) && (s.To.IsZero() || s.To.After(at))
	})
}

// lost says what became of a winnable recording that wasn't kept whole.
func (e Evidence) lost(t drivesim.Truth, kept []Kept) string {
	until := "and was still there"
	if !t.Erased.IsZero() {
		until = fmt.Sprintf("until the %s", t.ErasedBy)
	}
	s := fmt.Sprintf("%s could be read for %s %s; %s is enough.", e.name(t), short(e.readable(t)), until, short(e.Need))
	if len(kept) > 0 {
		return s + " Kept in part: " + kept[0].Capture.Integrity.Why
	}
	at := -1
	for i, m := range e.Misses {
		if m.Time.Sub(t.Tripped).Abs() < 2*time.Second {
			at = i
		}
	}
	if at >= 0 {
		return s + " Missed: " + e.Misses[at].Text
	}
	return s + " Nothing was kept, and no miss tells why."
}

func (e Evidence) name(t drivesim.Truth) string {
	at := t.Tripped
	if at.IsZero() {
		at = t.Triggered
	}
	return fmt.Sprintf("Recording %d of %s (%s, %04X)", t.Number, e.Drive, clock(at), t.FaultCode)
}
