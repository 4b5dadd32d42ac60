package modbus

import (
	"context"

	"faultkeep/sources"
	"faultkeep/store/capture"
)

const (
	retired       = "The drive was taken out of the config before the rest was read."
	lostOnRetire  = "The drive tripped and was then taken out of the config, before a recording of it was kept."
	adviceRetired = "If the drive still holds the recording, put it back into the config."
)

// Retire ends what is open of a drive that won't be watched any more: what was
// read of a recording is kept in part, and a trip of which nothing was kept is
// a miss. The Watch must have ended. Nothing is sent to the drive.
func (d *Drive) Retire(ctx context.Context, k sources.Keeper) {
	w := newWatch(d, k)
	defer w.teller.close()
	drafts, err := k.Drafts(ctx, d.Name())
	if err != nil {
		w.trouble("drafts of interrupted pulls can't be read: " + err.Error())
	}
	for _, draft := range drafts {
		w.closeDraft(ctx, draft, retired)
	}
	if e, err := k.Earlier(ctx, d.Name()); err == nil && e.Trip != nil {
		w.incident = &incident{fault: e.Trip.Fault, latest: e.Trip.Time}
		w.miss(capture.CauseNotRunning, lostOnRetire, adviceRetired)
	}
}
