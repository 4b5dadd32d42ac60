// Package study looks after what captures say: it has the analyses run on what
// was kept, keeps their findings in the store, and tells from all captures
// together how often trips come and whether a repair has stopped them.
package study

import (
	"context"
	"encoding/json"
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

// Study is what was found in a capture, and which others look like it as of
// now; Version 0 where it wasn't analysed yet. Dates are those of the zone; nil is UTC.
func (d *Desk) Study(ctx context.Context, id capture.ID, zone *time.Location) (capture.Study, error) {
	stored, err := d.store.Studies(ctx, id)
	st, found := stored[id]
	if err != nil || !found {
		return capture.Study{}, err
	}
	c, err := d.store.Get(ctx, id)
	if err != nil {
		return capture.Study{}, err
	}
	if f, ok := d.alike(ctx, c, st, zone); ok {
		st.Findings = append(st.Findings, f)
	}
	across, err := d.across(ctx, c)
	if err != nil {
		return capture.Study{}, err
	}
	st.Findings = analysis.Sorted(append(st.Findings, across...))
	return st.Study, nil
}

// Short is what a list tells of a capture.
type Short = wire.Short

// Short tells what was found in captures in few words; those not analysed yet
// are left out.
func (d *Desk) Short(ctx context.Context, ids ...capture.ID) (map[capture.ID]Short, error) {
	stored, err := d.store.Studies(ctx, ids...)
	if err != nil {
		return nil, err
	}
	out := make(map[capture.ID]Short, len(stored))
	for id, st := range stored {
		out[id] = Short{Headline: st.Headline(), Family: familyOf(st.Print)}
	}
	return out, nil
}

// Analyse computes the findings of a capture anew and stores them.
func (d *Desk) Analyse(ctx context.Context, id capture.ID, zone *time.Location) (capture.Study, error) {
	st, err := d.compute(ctx, id)
	if err != nil {
		return capture.Study{}, err
	}
	if err := d.put(st); err != nil {
		return capture.Study{}, err
	}
	return d.Study(ctx, id, zone)
}

// result is what came of one capture, and the print of another that its family
// takes in with it.
type result struct {
	id capture.ID
	store.Studied
	others map[capture.ID][]byte
}

func (d *Desk) put(results ...result) error {
	studies := map[capture.ID]store.Studied{}
	for _, r := range results {
		studies[r.id] = r.Studied
	}
	if err := d.store.PutStudies(studies); err != nil {
		return err
	}
	for _, r := range results {
		if err := d.store.PutPrints(r.Group, r.others); err != nil {
			return err
		}
	}
	return nil
}

func (d *Desk) compute(ctx context.Context, id capture.ID) (result, error) {
	c, series, err := d.store.Samples(ctx, id)
	if err != nil {
		return result{}, err
	}
	found := analysis.Study(c, series)
	prints, placed, err := d.place(ctx, c, found.Print)
	if err != nil {
		return result{}, err
	}
	r := d.studied(id, found.Findings)
	if r.Tones, err = json.Marshal(found.Tones); err != nil {
		return result{}, err
	}
	r.Group, r.Print = groupOf(c), prints[id]
	if placed.Family != "" {
		r.Family, r.Seen, r.Since = placed.Family, placed.Count, placed.First.UTC()
	}
	delete(prints, id)
	r.others = prints
	return r, nil
}

func (d *Desk) studied(id capture.ID, list []capture.Finding) result {
	return result{id: id, Studied: store.Studied{Study: capture.Study{Version: analysis.Version, At: d.now().UTC(), Findings: list}}}
}

// tooLong is the study of a capture that is left for somebody to ask for.
func (d *Desk) tooLong(c capture.Capture) result {
	return d.studied(c.ID, []capture.Finding{{Kind: capture.FindingUnable, Name: "too long", Basis: "Left out rather than guessed.",
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
