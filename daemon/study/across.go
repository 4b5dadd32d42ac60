package study

import (
	"context"
	"encoding/json"

	"faultkeep/daemon/analysis/vibration"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// mostAcross is how many captures of a drive, the newest, are compared for
// oscillations that stay put over the speed or go with it.
const mostAcross = 24

// across tells what oscillations do over the captures of the drive: nothing
// where there are too few to say anything.
func (d *Desk) across(ctx context.Context, c capture.Capture) ([]capture.Finding, error) {
	trips, err := d.store.Trips(ctx, store.Query{Drives: []string{c.Drive}, Limit: mostAcross})
	if err != nil {
		return nil, err
	}
	ids := []capture.ID{c.ID}
	for _, t := range trips {
		if t.ID != c.ID && !t.IsTrace {
			ids = append(ids, t.ID)
		}
	}
	stored, err := d.store.Studies(ctx, ids...)
	if err != nil {
		return nil, err
	}
	var all []vibration.Tones
	steady := 0
	for _, id := range ids {
		var t vibration.Tones
		if st, ok := stored[id]; !ok || json.Unmarshal(st.Tones, &t) != nil {
			continue
		}
		if t.Rev > 0 {
			steady++
		}
		all = append(all, t)
	}
	if steady < fewestAcross {
		return nil, nil
	}
	return vibration.Across(all), nil
}

// fewestAcross captures with a steady speed are needed before anything is said
// of them together.
const fewestAcross = 3
