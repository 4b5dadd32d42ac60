package daemon

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/brief"
	"faultkeep/daemon/config"
	"faultkeep/daemon/export"
	"faultkeep/daemon/web"
	"faultkeep/daemon/web/wire"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// morning makes the brief once a day. What was told last is in the store, so
// that neither a restart nor a clock that is changed tells it twice or never.
type morning struct {
	store   *store.Store
	archive brief.Archive
	at      brief.At
	zone    *time.Location
	site    string
	to      []string // sinks
	folder  string   // "": no files
	log     *slog.Logger

	told string // the last trouble, which is logged once
}

// lateBy is how long after its time a brief still tells until then; a later
// one tells until it is made.
const lateBy = time.Minute

// briefs makes the brief every day until ctx ends, where the config wants it.
func (a *App) briefs(ctx context.Context, loaded *config.Loaded, hub *hub) {
	c := loaded.Config.Brief
	if c == nil {
		return
	}
	at, err := brief.ParseAt(c.At)
	if err != nil {
		a.log.Error("no brief is made", "error", err)
		return
	}
	m := &morning{store: a.Store, archive: standing{archive.Pages(a.Store), hub, loaded.Config.Site}, at: at, zone: loaded.Location,
		site: loaded.Config.Site, to: c.To, folder: c.Folder, log: a.log}
	m.run(ctx)
}

// standing is the store with the drives as they are now.
type standing struct {
	*archive.Kept
	hub  *hub
	site string
}

func (s standing) Standing(ctx context.Context, since time.Time) (wire.Standing, error) {
	out, err := s.Kept.Standing(ctx, since)
	return web.Stands(out, s.site, s.hub.Drives()), err
}

func (m *morning) run(ctx context.Context) {
	filed := false
	for {
		made, err := m.step(ctx, time.Now())
		if err == nil && (made || !filed) { // also what a crash left unwritten
			err = m.file(ctx)
			filed = err == nil
		}
		if ctx.Err() != nil {
			return
		}
		m.say(err)
		// Clocks are set and computers sleep, so it is looked at often.
		if !wait(ctx, min(time.Minute, time.Until(m.at.Next(time.Now(), m.zone)))) {
			return
		}
	}
}

// say logs trouble, once as long as it is the same.
func (m *morning) say(err error) {
	switch {
	case err == nil:
		m.told = ""
	case err.Error() != m.told:
		m.told = err.Error()
		m.log.Error("the brief can't be made or written; it is tried again every minute", "error", err)
	}
}

// step makes the brief that is due at now, if one is.
func (m *morning) step(ctx context.Context, now time.Time) (made bool, err error) {
	last, found, err := m.store.LastBrief(ctx, now)
	if err != nil {
		return false, err
	}
	if !found {
		return false, m.store.BriefsFrom(ctx, now)
	}
	slot := m.at.Last(now, m.zone)
	if !slot.After(last.Slot) {
		return false, nil
	}
	o := brief.Options{From: last.To, To: slot, Zone: m.zone, Site: m.site}
	if now.Sub(slot) > lateBy {
		o.To = now
	}
	if last.ID == "" { // the first: the day before
		o.From = o.To.In(m.zone).AddDate(0, 0, -1)
	}
	b, err := brief.Gather(ctx, m.archive, o)
	if err != nil {
		return false, err
	}
	kept := store.Brief{ID: "brief-" + slot.UTC().Format("20060102-1504"), Slot: slot, From: o.From, To: o.To, Headline: b.Headline, Text: b.Text()}
	if kept.HTML, err = b.HTML(); err != nil {
		return false, err
	}
	if kept.JSON, err = b.JSON(); err != nil {
		return false, err
	}
	return m.store.KeepBrief(ctx, kept, capture.Alert{ID: kept.ID, Time: o.To, Kind: capture.KindBrief, Severity: capture.Info,
		Brief: kept.ID, Text: b.Headline}, m.to)
}

// file writes the last brief's files, where they aren't there already.
func (m *morning) file(ctx context.Context) error {
	if m.folder == "" {
		return nil
	}
	b, err := m.store.Brief(ctx, "")
	if errors.Is(err, store.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	if err := os.Mkdir(m.folder, 0o750); err != nil && !errors.Is(err, os.ErrExist) {
		return err
	}
	name := "brief-" + b.Slot.In(m.zone).Format(time.DateOnly)
	for extension, text := range map[string]string{".txt": b.Text, ".html": b.HTML, ".json": b.JSON} {
		path := filepath.Join(m.folder, name+extension)
		if there, err := os.ReadFile(path); err == nil && string(there) == text {
			continue
		}
		if err := export.Save(path, true, func(w io.Writer) error {
			_, err := io.WriteString(w, text)
			return err
		}); err != nil {
			return err
		}
	}
	return nil
}
