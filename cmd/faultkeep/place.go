package main

import (
	"context"
	"time"

	"faultkeep/daemon/archive"
)

// placeFlags say where to look for what was kept.
type placeFlags struct {
	dataFlag `embed:""`
}

// place is an open archive and the time zone to show times in.
type place struct {
	archive.Archive
	zone *time.Location
}

func (p placeFlags) open(ctx context.Context) (place, error) {
	folder, zone := p.Data, time.Local
	if folder == "" {
		loaded, err := p.load()
		if err != nil {
			return place{}, err
		}
		folder, zone = loaded.Config.Data, loaded.Location
	} else if _, err := p.folder(); err != nil {
		return place{}, err
	}
	a, err := archive.Open(ctx, folder)
	return place{a, zone}, err
}
