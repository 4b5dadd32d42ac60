package modbus

import (
	"context"
	"errors"
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
	page  int  // the window's page that is known to show; −1: none
	apart bool // the drive refuses to show a page and its number in one request
}

func newTiles(l *line, m *regmap.Map, g *link.Guard) *tiles {
	return &tiles{line: l, m: m, guard: g, page: -1}
}

// read returns the tile's original bytes. A request that failed in transport
// is asked again over a new connection.
func (t *tiles) read(ctx context.Context, tile regmap.Tile) ([]byte, error) {
	answer, err := t.once(ctx, tile)
	if err == nil {
		return answer, nil
	}
	return t.again(ctx, tile, err)
}

// again insists on a tile whose first request failed.
func (t *tiles) again(ctx context.Context, tile regmap.Tile, failed error) (answer []byte, err error) {
	err = t.line.insist(ctx, func() error {
		if failed != nil {
			err, failed = failed, nil
		} else {
			answer, err = t.once(ctx, tile)
		}
		if err != nil && t.m.Data.Layout == regmap.Window {
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
		return t.window(ctx, tile)
	}
	return t.line.read(ctx, tile.Read)
}

// window reads a tile of a page, turning to it first where that is needed.
func (t *tiles) window(ctx context.Context, tile regmap.Tile) ([]byte, error) {
	if tile.Page == t.page {
		return t.line.read(ctx, tile.Read)
	}
	t.page = -1
	if err := t.guard.Page(ctx, tile.Page); err != nil {
		return nil, err
	}
	// Where the drive allows it, one request reads the page together with the
	// register that says which page it is.
	look := shows(t.m)
	both, fits := together(look, tile.Read, t.m.Limits)
	fits = fits && !t.apart
	number := int64(t.m.Data.PageNumber(tile.Page))
	deadline := time.Now().Add(t.m.Data.Settle)
	for wait := time.Millisecond; ; wait = min(2*wait, 50*time.Millisecond) {
		read := look
		if fits {
			read = both
		}
		answer, err := t.line.read(ctx, read)
		if fits && errors.Is(err, link.IllegalAddress) {
			fits, t.apart = false, true
			continue
		}
		if err != nil {
			return nil, err
		}
		shown := shown(t.m, piece(answer, read, look))
		if shown == number {
			t.page = tile.Page
			if fits {
				return piece(answer, read, tile.Read), nil
			}
			return t.line.read(ctx, tile.Read)
		}
		if time.Now().After(deadline) {
			return nil, &pageError{number, shown, t.m.Data.Settle}
		}
		if err := pause(ctx, wait); err != nil {
			return nil, err
		}
	}
}

// page is the value that says which page the window shows.
func page(m *regmap.Map) regmap.Value {
	if m.Data.Shows != nil {
		return *m.Data.Shows
	}
	return m.Data.Page
}

// shows is the request for it, and shown what its answer says.
func shows(m *regmap.Map) regmap.Read {
	v := page(m)
	return regmap.Read{Table: v.Table, Address: v.Address, Count: uint16(v.Words())}
}

func shown(m *regmap.Map, answer []byte) int64 { return page(m).Decode(answer).Raw }

// together is the one request that covers two, if it isn't longer than the
// drive takes and skips no more unmapped registers than it may.
func together(a, b regmap.Read, limits regmap.Limits) (regmap.Read, bool) {
	if b.Address < a.Address {
		a, b = b, a
	}
	gap := int(b.Address) - int(a.Address) - int(a.Count)
	n := int(b.Address) + int(b.Count) - int(a.Address)
	ok := a.Table == b.Table && gap <= limits.Bridge && n <= limits.Registers
	return regmap.Read{Table: a.Table, Address: a.Address, Count: uint16(n)}, ok && gap >= 0
}

// piece is the part of an answer that belongs to a smaller read.
func piece(answer []byte, whole, part regmap.Read) []byte {
	at := 2 * (int(part.Address) - int(whole.Address))
	return answer[at : at+2*int(part.Count)]
}

// pageError is a window that doesn't turn.
type pageError struct {
	wanted int64
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
