package modbus

import (
	"context"
	"fmt"
	"time"

	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
)

// tiles reads pieces of a recording in whichever layout the map says.
type tiles struct {
	line  *line
	m     *regmap.Map
	guard *link.Guard
	page  int // the window's page that is known to show; −1: none
}

func newTiles(l *line, m *regmap.Map, g *link.Guard) *tiles {
	return &tiles{line: l, m: m, guard: g, page: -1}
}

// read returns the tile's original bytes. A request that failed in transport
// is asked again over a new connection.
func (t *tiles) read(ctx context.Context, tile regmap.Tile) (answer []byte, err error) {
	err = t.line.insist(ctx, func() error {
		if answer, err = t.once(ctx, tile); err != nil && t.m.Data.Layout == regmap.Window {
			t.page = -1 // whoever else got the drive meanwhile may have turned it
		}
		return err
	})
	return answer, err
}

func (t *tiles) once(ctx context.Context, tile regmap.Tile) ([]byte, error) {
	switch t.m.Data.Layout {
	case regmap.FileRecords:
		return t.line.readFile(ctx, tile.File, tile.Record, uint16(tile.Words))
	case regmap.Window:
		if err := t.turn(ctx, tile.Page); err != nil {
			return nil, err
		}
	}
	return t.line.read(ctx, tile.Read)
}

// turn selects a page of the window and waits until the drive shows it.
func (t *tiles) turn(ctx context.Context, page int) error {
	if page == t.page {
		return nil
	}
	t.page = -1
	if err := t.guard.Page(ctx, page); err != nil {
		return err
	}
	number := t.m.Data.PageNumber(page)
	shows := t.m.Data.Page
	if t.m.Data.Shows != nil {
		shows = *t.m.Data.Shows
	}
	deadline := time.Now().Add(t.m.Data.Settle)
	read := regmap.Read{Table: shows.Table, Address: shows.Address, Count: uint16(shows.Words())}
	for wait := time.Millisecond; ; wait = min(2*wait, 50*time.Millisecond) {
		answer, err := t.line.read(ctx, read)
		if err != nil {
			return err
		}
		if shows.Decode(answer).Raw == int64(number) {
			t.page = page
			return nil
		}
		if time.Now().After(deadline) {
			return &pageError{number, shows.Decode(answer).Raw, t.m.Data.Settle}
		}
		if err := pause(ctx, wait); err != nil {
			return err
		}
	}
}

// pageError is a window that doesn't turn.
type pageError struct {
	wanted int
	shown  int64
	within time.Duration
}

func (e *pageError) Error() string {
	return fmt.Sprintf("the window still shows page %d %v after page %d was selected", e.shown, e.within, e.wanted)
}

// pause sleeps, or returns early with the context's error.
func pause(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}
