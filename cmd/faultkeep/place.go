package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
)

// place is what was kept, open for reading, the zone in which to tell times,
// and the drives' titles as far as they are known.
type place struct {
	archive.Archive
	zone   *time.Location
	site   string // "": not known
	titles map[string]string
}

// open opens the data folder, through the daemon if one runs. The zone is the
// config's, or this computer's where only --data was given.
func (f dataFlag) open(ctx context.Context) (place, error) {
	p := place{zone: time.Local, titles: map[string]string{}}
	var folder string
	var loaded *config.Loaded
	var err error
	if f.Data != "" {
		if folder, err = f.folder(); err != nil {
			return p, err
		}
	}
	if f.Data == "" || f.Config != "" {
		if loaded, err = f.load(); err != nil {
			return p, orData(err)
		}
		p.zone, p.site = loaded.Location, loaded.Config.Site
		for _, d := range loaded.Drives {
			p.titles[d.Config.Name] = d.Config.Title
		}
		if folder == "" {
			folder = loaded.Config.Data
		}
	}
	p.Archive, err = archive.Open(ctx, folder)
	return p, neverRan(folder, err)
}

// neverRan says in other words that there is no store.
func neverRan(folder string, err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("nothing was kept in %s: faultkeep never ran on this data folder. Start it, or name another folder with --data", folder)
	}
	return err
}

// where is the data folder that --data or the config names.
func (f dataFlag) where() (string, error) {
	folder, err := f.folder()
	if err != nil && f.Data == "" {
		err = orData(err)
	}
	return folder, err
}

// orData adds the other way to say where to look.
func orData(err error) error {
	var usage usageError
	if errors.As(err, &usage) {
		return usageError{fmt.Errorf("%w, or the data folder with --data", usage.error)}
	}
	return err
}

// name is a drive as people call it.
func (p place) name(drive, title string) string {
	if title == "" {
		title = p.titles[drive]
	}
	if title == "" {
		return drive
	}
	return title
}
