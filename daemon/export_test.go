package daemon

import (
	"context"
	"log/slog"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/certificate"
	"faultkeep/sources"
	"faultkeep/store"
)

// Keeping is the door from sources to a store, as the App has it.
func Keeping(s *store.Store) sources.Keeper { return &keeper{store: s, hub: newHub(nil, nil)} }

// Renew keeps a certificate fresh until ctx ends, as the App does.
func Renew(ctx context.Context, log *slog.Logger, data string, shown *certificate.Certificate, me archive.Endpoint) {
	(&App{log: log}).renew(ctx, data, shown, me)
}
