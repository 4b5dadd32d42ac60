package demo

import (
	"context"
	"fmt"
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// reader is what evidence is read from.
type reader interface {
	wire.Captures
	wire.Ledger
}

// keptSoFar spares reading a capture's bytes again.
type keptSoFar map[capture.ID]Kept

// gather collects the evidence of every drive, in the order of the plant.
func (r *run) gather(ctx context.Context, from reader, kept keptSoFar) ([]Evidence, error) {
	var list []Evidence
	for i, d := range r.plant.Drives {
		q := wire.Query{Drive: d.Spec.Name}
		e := Evidence{Drive: d.Name(), Truths: d.Incidents(time.Now()), End: time.Now(), Stalls: r.stalls.so(),
			Need: need(d, r.app.Load().Drives()[i].Now().Race, r.overheads.of(d.Spec.Name))}
		captures, err := from.Captures(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, c := range captures {
			if c.Origin != capture.Recorded {
				continue // what faultkeep sampled itself is held against no recording
			}
			k, ok := kept[c.ID]
			if !ok {
				data, _, err := from.Original(ctx, c.ID, capture.Data)
				if err != nil {
					return nil, err
				}
				k = Kept{Capture: c, Data: data}
				kept[c.ID] = k
			}
			e.Captures = append(e.Captures, k)
		}
		if e.Misses, err = from.Misses(ctx, q); err != nil {
			return nil, err
		}
		if e.Spells, err = from.Spells(ctx, q); err != nil {
			return nil, err
		}
		list = append(list, e)
	}
	return list, nil
}

// standing tells whether a recording is still there that isn't kept whole.
func (e Evidence) standing() bool {
	captures := e.assign(&Verdict{})
	for i, t := range e.Truths {
		if t.Ready.IsZero() || !t.Erased.IsZero() {
			continue
		}
		whole := false
		for _, k := range captures[i] {
			whole = whole || k.whole()
		}
		if !whole {
			return true
		}
	}
	return false
}

// sinks are those of the demo's config.
var sinks = []string{"log", controlRoom}

// alerts counts alerts by what became of them at the sinks, and holds that
// against what the store and the receiver say.
func (r *run) alerts(ctx context.Context, sum *Summary) error {
	store := r.app.Load().Store
	for _, sink := range sinks {
		left, err := store.Outbox(ctx, sink, 0)
		if err != nil {
			return err
		}
		for _, m := range left {
			r.teller.waiting(m.Alert.ID)
		}
	}
	n, err := store.AlertCounts(ctx)
	if err != nil {
		return err
	}
	raised, accepted := r.teller.alerts(len(sinks))
	heard, retried := r.receiver.counts()
	sum.Alerts, sum.Retried = Alerts{Raised: raised, Accepted: accepted}, retried
	if n.Raised != len(sinks)*raised || n.Accepted < len(sinks)*accepted || heard < accepted {
		sum.Faults = append(sum.Faults, fmt.Sprintf("Alerts don't add up: %d were sent, %d accepted by all; the store says %d and %d for %d sinks, and the control room took %d.",
			raised, accepted, n.Raised, n.Accepted, len(sinks), heard))
	}
	return nil
}
