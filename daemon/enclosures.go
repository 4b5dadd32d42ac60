package daemon

import (
	"context"

	"faultkeep/daemon/alert"
	"faultkeep/daemon/brief"
	"faultkeep/daemon/report"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// enclosures are what sinks enclose with alerts, from the store.
type enclosures struct {
	store *store.Store
	site  string
}

func (e enclosures) Picture(ctx context.Context, id capture.ID) ([]byte, error) {
	c, series, err := e.store.Samples(ctx, id)
	if err != nil {
		return nil, err
	}
	return report.PNG(c, series)
}

func (e enclosures) Brief(ctx context.Context, id string) (alert.Brief, error) {
	b, err := e.store.Brief(ctx, id)
	if err != nil {
		return alert.Brief{}, err
	}
	out := alert.Brief{Subject: brief.Subject(e.site, b.Headline), Text: b.Text}
	out.HTML, out.Pictures = brief.ForMail(b.HTML)
	return out, nil
}
