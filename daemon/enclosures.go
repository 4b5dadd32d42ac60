package daemon

import (
	"context"
	"errors"

	"faultkeep/daemon/alert"
	"faultkeep/daemon/report"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// enclosures are what sinks enclose with alerts, from the store.
type enclosures struct{ store *store.Store }

func (e enclosures) Picture(ctx context.Context, id capture.ID) ([]byte, error) {
	c, series, err := e.store.Samples(ctx, id)
	if err != nil {
		return nil, err
	}
	return report.PNG(c, series)
}

func (e enclosures) Brief(context.Context, string) (alert.Brief, error) {
	return alert.Brief{}, errors.New("no brief is stored")
}
