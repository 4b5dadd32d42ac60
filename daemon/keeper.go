package daemon

import (
	"context"
	"errors"
	"sync/atomic"

	"faultkeep/sources"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// keeper gives sources the store, and shows the hub what passes.
type keeper struct {
	store *store.Store
	hub   *hub

	failing atomic.Bool // the last write to the ledger failed
}

// judge remembers whether a write to the ledger went well.
func (k *keeper) judge(ctx context.Context, err error) {
	if err == nil || ctx.Err() == nil {
		k.failing.Store(err != nil)
	}
}

func (k *keeper) Draft(ctx context.Context, opening capture.Capture) (sources.Draft, error) {
	d, err := k.store.Draft(ctx, opening)
	if errors.Is(err, store.ErrKept) {
		return nil, sources.ErrKept
	}
	if err != nil {
		return nil, err
	}
	return d, nil
}

func (k *keeper) Drafts(ctx context.Context, drive string) ([]sources.Draft, error) {
	list, err := k.store.Drafts(ctx, drive)
	drafts := make([]sources.Draft, len(list))
	for i, d := range list {
		drafts[i] = d
	}
	return drafts, err
}

func (k *keeper) Last(ctx context.Context, drive string) (sources.Kept, bool, error) {
	c, found, err := k.store.Last(ctx, drive)
	if err != nil || !found {
		return sources.Kept{}, false, err
	}
	return sources.Kept{Capture: c, Bytes: func(part string, offset int64, n int) ([]byte, bool, error) {
		return k.store.Bytes(ctx, c.ID, part, offset, n)
	}}, true, nil
}

// Earlier looks through the ledger.
func (k *keeper) Earlier(ctx context.Context, drive string) (sources.Earlier, error) {
	e := sources.Earlier{Count: -1}
	counted, found, err := k.store.FaultCount(ctx, drive)
	if err != nil {
		return e, err
	}
	if found {
		e.Count = counted.Count
		after := store.Query{Drives: []string{drive}, Kinds: []string{string(sources.SeenTrip)}, Since: counted.At.Add(1)}
		trips, err := k.store.Ledger(ctx, after)
		if err != nil {
			return e, err
		}
		e.Trips = len(trips)
	}
	e.Trip, err = k.unsettled(ctx, drive)
	return e, err
}

// unsettled is the drive's newest trip, unless it is settled: by a capture
// after it, or by a miss of the same fault. (A miss of a fault that only the
// drive's own count told of is of another trip.)
func (k *keeper) unsettled(ctx context.Context, drive string) (*sources.Observation, error) {
	trips, err := k.store.Ledger(ctx, store.Query{Drives: []string{drive}, Kinds: []string{string(sources.SeenTrip)}, Limit: 1})
	if err != nil || len(trips) == 0 {
		return nil, err
	}
	trip := trips[0]
	ends, err := k.store.Ledger(ctx, store.Query{Drives: []string{drive}, Kinds: []string{store.KindKept, store.KindMissed}, Since: trip.Time})
	if err != nil {
		return nil, err
	}
	for _, end := range ends {
		if end.Kind == store.KindKept || end.Fault.Code == trip.Fault.Code {
			return nil, nil
		}
	}
	return &sources.Observation{Time: trip.Time, Drive: drive, Kind: sources.SeenTrip, Fault: trip.Fault, Text: trip.Text}, nil
}

// Observe puts into the ledger what belongs there, then shows it live.
func (k *keeper) Observe(ctx context.Context, o sources.Observation) error {
	err := k.note(ctx, o)
	if lasting(o.Kind) {
		k.judge(ctx, err)
	}
	if err != nil {
		return err
	}
	k.hub.saw(o)
	return nil
}

// lasting tells whether note writes something of this kind.
func lasting(k sources.Seen) bool {
	switch k {
	case sources.SeenWatched, sources.SeenBlind, sources.SeenMiss, sources.SeenTrip, sources.SeenWrote, sources.SeenCount,
		sources.SeenDrift, sources.SeenAsWanted, sources.SeenRace:
		return true
	}
	return false
}

func (k *keeper) note(ctx context.Context, o sources.Observation) error {
	switch o.Kind {
	case sources.SeenWatched:
		return k.store.Watched(ctx, o.Drive, o.Time)
	case sources.SeenBlind:
		return k.store.Blind(ctx, o.Drive, o.Since, o.Time, o.Cause, o.Text)
	case sources.SeenMiss:
		return k.store.Miss(ctx, capture.Miss{Time: o.Time, Drive: o.Drive, Title: o.Title, Fault: o.Fault,
			Cause: o.Cause, Text: o.Text, Advice: o.Advice}, missSeverity(o.Fault))
	case sources.SeenTrip, sources.SeenWrote:
		return k.store.Note(ctx, entryOf(o))
	case sources.SeenCount:
		return k.store.CountFaults(ctx, o.Drive, store.FaultCount{Count: o.Count, At: o.Time})
	case sources.SeenDrift:
		return k.store.Drifted(ctx, entryOf(o), warning(o, capture.KindDrift))
	case sources.SeenAsWanted:
		return k.store.AsWanted(ctx, o.Drive, o.Time)
	case sources.SeenRace:
		if o.Cause == "" {
			return k.store.Note(ctx, entryOf(o))
		}
		return k.store.Note(ctx, entryOf(o), warning(o, capture.KindRace))
	}
	return nil
}

func entryOf(o sources.Observation) store.Entry {
	return store.Entry{Time: o.Time, Drive: o.Drive, Kind: string(o.Kind), Text: sentences(o.Text, o.Advice), Fault: o.Fault}
}

// missSeverity: losing the evidence of an alarm is an alarm; of less, a warning.
func missSeverity(f capture.Fault) capture.Severity {
	if f.Severity.Rank() < capture.Warning.Rank() {
		return capture.Warning
	}
	return f.Severity
}

func warning(o sources.Observation, kind capture.Kind) capture.Alert {
	return capture.Alert{Time: o.Time, Kind: kind, Severity: capture.Warning, Drive: o.Drive, Title: o.Title,
		Text: sentences(o.Text, o.Advice)}
}
