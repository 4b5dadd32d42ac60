package daemon

import (
	"context"
	"fmt"
	"slices"
	"time"

	"faultkeep/sources"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// awaitStudy is how long an alert waits for what the analyses find, so that
// its first line can tell what moved first. It takes them a few hundredths of
// a second, unless many captures come at once.
const awaitStudy = 5 * time.Second

// alarmsEvery is how often alarms are held against what the drives show: those
// of before the start too, of which nothing is observed any more.
const alarmsEvery = 15 * time.Second

// alarms says which conditions have gone, and reminds of alarms that nobody
// acknowledges, until ctx ends.
func (a *App) alarms(ctx context.Context, h *hub) {
	for wait(ctx, alarmsEvery) {
		shown := map[string]bool{} // drives that show that they have no fault, and watched ones
		watched := map[string]bool{}
		known := map[string]bool{} // drives and folders of the config
		drives := map[string]bool{}
		list, _, _ := h.list()
		for _, d := range list {
			now := d.Now()
			drives[d.Name()] = true
			shown[d.Name()] = !now.LastSeen.IsZero() && now.Trouble == "" && !now.Tripped
		}
		for _, d := range h.Drives() {
			known[d.Name], watched[d.Name] = true, d.Watched
		}
		a.gone(ctx, time.Now(), func(al capture.OpenAlarm) bool {
			switch al.Alert.Kind {
			case capture.KindCapture, capture.KindPartial, capture.KindMiss:
				return shown[al.Alert.Drive] || !drives[al.Alert.Drive] // of a file nobody knows more
			case capture.KindBlind:
				return watched[al.Alert.Drive] || !known[al.Alert.Drive]
			case capture.KindDrift, capture.KindRace:
				return !known[al.Alert.Drive]
			case capture.KindDisk:
				return a.Store.Stage() == store.Ample
			case capture.KindClock:
				return !a.clockUnsure.Load()
			case capture.KindDamage:
				return true // a fresh store was begun
			}
			return false
		})
		a.blind(ctx, h, time.Now())
		if _, err := a.Store.Remind(ctx); err != nil && ctx.Err() == nil {
			a.log.Error("nobody can be reminded of alarms", "error", err)
		}
	}
}

// blindAfter is how long a drive or folder isn't watched before an alert tells
// of it: short spells are in the ledger, and nobody is woken for them.
const blindAfter = time.Minute

// blind raises an alert about each drive and folder that isn't watched for
// longer, once for as long as that lasts.
func (a *App) blind(ctx context.Context, h *hub, now time.Time) {
	_, _, seen := h.list()
	for _, d := range h.Drives() {
		n := seen[d.Name]
		lasts := now.Sub(n.blind)
		if n.watched || n.blind.IsZero() || lasts < blindAfter {
			continue
		}
		err := a.Store.Standing(ctx, capture.Alert{Time: n.blind, Kind: capture.KindBlind, Severity: capture.Warning, Drive: d.Name, Title: d.Title,
			Text: fmt.Sprintf("%s has not been watched for %.0f min: %s", d.Label(), lasts.Minutes(), n.note)})
		if err != nil && ctx.Err() == nil {
			a.log.Error("the store doesn't take the alert about a drive that isn't watched", "drive", d.Name, "error", err)
		}
	}
}

// settles ends alarms whose condition is seen to have gone.
func (a *App) settles(o sources.Observation) {
	kinds := map[sources.Seen][]capture.Kind{
		sources.SeenCleared:  {capture.KindCapture, capture.KindPartial, capture.KindMiss},
		sources.SeenWatched:  {capture.KindBlind},
		sources.SeenAsWanted: {capture.KindDrift},
		sources.SeenRace:     {capture.KindRace},
	}[o.Kind]
	if len(kinds) == 0 || o.Kind == sources.SeenRace && o.Cause != "" {
		return
	}
	a.gone(context.Background(), o.Time, func(al capture.OpenAlarm) bool {
		for _, k := range kinds {
			if al.Alert.Kind == k && al.Alert.Drive == o.Drive {
				return true
			}
		}
		return false
	})
}

func (a *App) gone(ctx context.Context, at time.Time, pick func(capture.OpenAlarm) bool) {
	if err := a.Store.Cleared(ctx, at, pick); err != nil && ctx.Err() == nil {
		a.log.Error("the store doesn't take that alarms have gone", "error", err)
	}
}

// dropOldSinks sets aside what waits for sinks that the config doesn't have
// any more, where it is shown, instead of keeping it waiting for ever.
func (a *App) dropOldSinks(ctx context.Context, sinks []string) {
	if err := a.Store.SetAsideOthers(ctx, func(sink string) bool { return slices.Contains(sinks, sink) }, "the config has no sink of this name any more"); err != nil && ctx.Err() == nil {
		a.log.Error("what waits for sinks that are gone can't be set aside", "error", err)
	}
}
