package daemon

import (
	"context"
	"log/slog"
	"time"

	"faultkeep/daemon/alert"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/brief"
	"faultkeep/daemon/certificate"
	"faultkeep/sources"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// Keeping is the door from sources to a store, as the App has it.
func Keeping(s *store.Store) sources.Keeper { return &keeper{store: s, hub: newHub(nil, nil)} }

// Renew keeps a certificate fresh until ctx ends, as the App does.
func Renew(ctx context.Context, log *slog.Logger, data string, shown *certificate.Certificate, me archive.Endpoint) {
	(&App{log: log}).renew(ctx, data, shown, me)
}

// Morning makes briefs of a store until ctx ends, as the App does.
func Morning(ctx context.Context, s *store.Store, from brief.Archive, at string, zone *time.Location, folder string, to ...string) {
	t, err := brief.ParseAt(at)
	if err != nil {
		panic(err)
	}
	(&morning{store: s, archive: from, at: t, zone: zone, site: "Northquay", to: to, folder: folder, log: slog.New(slog.DiscardHandler)}).run(ctx)
}

// Enclosures are what sinks enclose with alerts, as the App has them.
func Enclosures(s *store.Store, site string) alert.Enclosures { return enclosures{s, site} }

// SetUnsure says whether the computer's clock is out of step.
func SetUnsure(a *App, unsure bool) { a.clockUnsure.Store(unsure) }

// JudgeLedger says how the last write to the ledger went.
func JudgeLedger(a *App, err error) { a.watching.keep.judge(context.Background(), err) }

// FailLedger has the keeper observe something of a drive.
func FailLedger(a *App, drive string) {
	_ = a.watching.keep.Observe(context.Background(), sources.Observation{Kind: sources.SeenBlind, Drive: drive})
}

// Ails is what holds the heartbeat back.
func Ails(a *App) string { return a.ails() }

// Shown gives what sinks are shown of the drives.
func Shown(a *App) func() []alert.State {
	return (&shown{hub: a.hub, last: map[string]capture.ID{}, states: map[string]alert.State{}}).now
}
