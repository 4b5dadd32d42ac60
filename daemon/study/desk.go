// Package study looks after what captures say: it has the analyses run on what
// was kept, keeps their findings in the store, and tells from all captures
// together how often trips come and whether a repair has stopped them.
package study

import (
	"context"
	"fmt"
	"time"

	"faultkeep/daemon/analysis"
	"faultkeep/daemon/web/wire"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// Desk is where a store's captures are studied.
type Desk struct {
	store *store.Store
	now   func() time.Time
}

// New is a desk for a store. Studies can be stored only where the store is open for writing.
func New(s *store.Store) *Desk { return &Desk{store: s, now: time.Now} }

var (
	_ wire.Analyst = (*Desk)(nil)
	_ wire.Repairs = (*Desk)(nil)
)

// Study is what was found in a capture; Version 0 where it wasn't analysed yet.
func (d *Desk) Study(ctx context.Context, id capture.ID) (capture.Study, error) {
	all, err := d.Studies(ctx, id)
	return all[id], err
}

// Studies are what was found in captures; those not analysed yet are left out.
func (d *Desk) Studies(ctx context.Context, ids ...capture.ID) (map[capture.ID]capture.Study, error) {
	stored, err := d.store.Studies(ctx, ids...)
	if err != nil {
		return nil, err
	}
	out := make(map[capture.ID]capture.Study, len(stored))
	for id, st := range stored {
		out[id] = st.Study
	}
	return out, nil
}

// Analyse computes the findings of a capture anew and stores them.
func (d *Desk) Analyse(ctx context.Context, id capture.ID) (capture.Study, error) {
	st, err := d.compute(ctx, id)
	if err != nil {
		return capture.Study{}, err
	}
	return st.Study, d.store.PutStudies(map[capture.ID]store.Studied{id: st})
}

func (d *Desk) compute(ctx context.Context, id capture.ID) (store.Studied, error) {
	c, series, err := d.store.Samples(ctx, id)
	if err != nil {
		return store.Studied{}, err
	}
	return d.studied(analysis.Study(c, series)), nil
}

func (d *Desk) studied(list []capture.Finding) store.Studied {
	return store.Studied{Study: capture.Study{Version: analysis.Version, At: d.now().UTC(), Findings: list}}
}

// tooLong is the study of a capture that is left for somebody to ask for.
func (d *Desk) tooLong(c capture.Capture) store.Studied {
	return d.studied([]capture.Finding{{Kind: capture.FindingUnable, Name: "too long", Basis: "Left out rather than guessed.",
		Text: fmt.Sprintf("It has %d samples of %d channels, more than faultkeep analyses unasked; `faultkeep analyse %s` does it.",
			c.Timing.Samples, len(c.Channels), c.ID)}})
}

// Repairs are those of a drive, or all with "", oldest first.
func (d *Desk) Repairs(ctx context.Context, drive string) ([]capture.Repair, error) {
	return d.store.Repairs(ctx, drive)
}

// AddRepair notes a repair.
func (d *Desk) AddRepair(ctx context.Context, r capture.Repair) error {
	return d.store.AddRepair(ctx, r)
}

// DropRepair takes a repair off the list.
func (d *Desk) DropRepair(ctx context.Context, r capture.Repair) error {
	return d.store.DropRepair(ctx, r)
}
