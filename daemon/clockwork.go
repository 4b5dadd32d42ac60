package daemon

import (
	"context"
	"time"

	"faultkeep/daemon/clock"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// clockEvery is how often this computer's clock is looked at.
const clockEvery = 2 * time.Second

// clock puts what happened to this computer's clock into the ledger: what was
// seen before and after a jump can't be put in order without knowing of it.
func (a *App) clock(ctx context.Context, e clock.Event) {
	alert := capture.Alert{Kind: capture.KindClock, Severity: capture.Warning, Text: e.Words()}
	entry := store.Entry{Time: e.At, Kind: store.KindClockUnsure, Text: e.Words()}
	var err error
	switch {
	case e.Jump != 0:
		err = a.Store.Jumped(ctx, e.Before(), e.At, e.Words(), alert)
	case e.Synchronised:
		a.clockUnsure.Store(false)
		err = a.Store.Note(ctx, entry)
	default:
		a.clockUnsure.Store(true)
		err = a.Store.Note(ctx, entry, alert)
	}
	if err != nil {
		a.log.Error("the ledger does not take what happened to the clock", "event", e.Words(), "error", err)
	}
}
