package modbus

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

// held is the recording on the drive that needs no more pulling: it is kept,
// or the drive refuses to hand it out.
type held struct {
	identity string
	tile     regmap.Tile // around the trigger, and
	bytes    []byte      // what stood there: tells recordings apart where identity can't
	ready    time.Time   // first poll that showed it ready; zero: before our time
	sure     bool        // nothing could have happened unseen since it was compared
	here     bool        // it became ready while we watched
}

// gone says that the recording being read isn't there any more.
type gone struct {
	cause capture.Cause
	at    time.Time
	state capture.RecorderState
}

func (g *gone) Error() string {
	if g.cause == capture.CauseOverwritten {
		return "another recording took its place"
	}
	return fmt.Sprintf("the recorder shows %s, no recording", g.state)
}

// take pulls the recording that is ready and keeps it.
func (w *watch) take(ctx context.Context, s status) {
	t, err := w.begin(ctx, s)
	if err != nil {
		w.cantBegin(ctx, s, err)
		return
	}
	w.show(func(n *Now) { n.Pulling = true })
	defer w.show(func(n *Now) { n.Pulling = false })
	err = t.pull.run(ctx)
	t.pulled = time.Now()
	w.cover.last = maxTime(w.cover.last, t.seen) // a drive that answers a pull was reached
	var lost *gone
	switch {
	case err == nil:
		t.whole(ctx)
	case errors.As(err, &lost):
		t.cut(ctx, lost)
	case errors.Is(err, errRefused):
		t.refuse(ctx, err)
	default: // unreachable, or faultkeep is stopping: the draft waits
		t.leave(ctx)
		w.interrupted = true
		if ctx.Err() == nil {
			w.unreachable(err)
		}
	}
}

// begin reads the header, opens a draft or resumes one, and lays out the pull.
// The identity that counts was read before the header: what is read from here
// on is of that recording, if the last check still finds it.
func (w *watch) begin(ctx context.Context, s status) (*taking, error) {
	requestsBefore := w.line.count.Load()
	if s.Identity == "" && len(w.Map.Identity) > 0 {
		var err error
		if s, err = w.poller.poll(ctx, true); err != nil {
			return nil, err
		}
		if s.State != capture.Ready {
			return nil, &gone{cause: capture.CauseReset, at: s.From, state: s.State}
		}
	}
	image, err := w.header.get(ctx)
	if err != nil {
		return nil, err
	}
	rec, err := w.Map.Recording(image)
	if err != nil {
		return nil, &sources.Error{Op: "read the recording's header", Object: w.object(), Err: err, Permanent: true,
			Hint: "Compare header: in map " + w.Map.Name + " with the drive's register list"}
	}
	t := &taking{watch: w, rec: rec, identity: s.Identity, began: time.Now(), requests: requestsBefore,
		tiles: w.Map.Tiles(rec.Encoding, rec.Trigger), reader: newTiles(w.line, w.Map, w.guard)}
	if c := w.Map.Checksum; c != nil {
		if r, ok := image.Get(c.Value); ok {
			t.checksum = &r
		}
	}
	w.show(func(n *Now) {
		n.Race.After = after(rec.Timing, rec.Trigger)
		n.Race.Requests = requests(w.Map, w.header.requests()+w.poller.status.requests(), w.poller.both.requests(), t.tiles)
	})
	if err := t.look(ctx); err != nil {
		return nil, err
	}
	t.open(ctx)
	if err := t.compare(ctx); err != nil {
		return nil, err
	}
	if !w.started || w.interrupted {
		w.closeDrafts(ctx, t.opening.ID)
	}
	t.lay()
	return t, nil
}

// cantBegin handles a recording whose pull can't even begin.
func (w *watch) cantBegin(ctx context.Context, s status, err error) {
	var lost *gone
	if ctx.Err() != nil || errors.As(err, &lost) {
		return // the next poll settles it
	}
	if !sources.IsPermanent(err) {
		w.unreachable(err)
		return
	}
	// A header that makes no sense, or a refusal: because the recording is gone
	// by now, or because the map is wrong?
	now, pollErr := w.poller.poll(ctx, true)
	if pollErr != nil || now.State != capture.Ready || s.Identity != "" && now.Identity != s.Identity {
		return
	}
	w.trouble(err.Error())
	w.miss(capture.CauseRefused, err.Error(), "Mend the map; faultkeep check --probe shows what the drive answers.")
	// Asked again only when the drive shows another recording: the answer won't change by itself.
	w.held = &held{identity: now.Identity, sure: true}
}

// stillHeld tells whether the recording that is ready is the one that needs no
// more pulling.
func (w *watch) stillHeld(ctx context.Context, s status) (bool, error) {
	if !w.started {
		if err := w.recall(ctx); err != nil {
			return false, err
		}
	}
	h := w.held
	if h == nil {
		return false, nil
	}
	if h.identity != s.Identity && (h.identity != "" || h.bytes != nil) {
		return false, nil
	}
	if h.bytes == nil && h.identity == "" {
		h.identity = s.Identity
	}
	if h.bytes == nil || h.sure && h.identity != "" {
		return true, nil
	}
	answer, err := newTiles(w.line, w.Map, w.guard).read(ctx, h.tile)
	var exception link.Exception
	if errors.As(err, &exception) {
		return false, nil // it was readable when it was kept
	}
	if err != nil {
		return false, err
	}
	h.sure = bytes.Equal(answer, h.bytes)
	return h.sure, nil
}

// recall finds out whether the recording that the drive holds at our first
// look was kept by an earlier run: same identity and same bytes around the trigger.
func (w *watch) recall(ctx context.Context) error {
	last, found, err := w.keeper.Last(ctx, w.Config.Name)
	if err != nil || !found || !last.Capture.Integrity.Whole {
		return nil // then it is pulled: twice kept is better than lost
	}
	tiles := w.Map.Tiles(last.Capture.Encoding, last.Capture.Trigger.Index)
	if len(tiles) == 0 || last.Capture.Provenance.MapHash != w.Map.Hash {
		return nil
	}
	kept, ok, err := last.Bytes(capture.Data, tiles[0].Offset, tiles[0].Bytes)
	if err != nil || !ok {
		return nil
	}
	w.held = &held{identity: last.Capture.Provenance.Identity, tile: tiles[0], bytes: kept}
	if len(w.Map.Identity) == 0 {
		w.held.identity = ""
	}
	return nil
}

// erased notes how long a recording stood.
func (w *watch) erased(ready, last time.Time) {
	stood := last.Sub(ready)
	if ready.IsZero() || stood <= 0 {
		return
	}
	w.show(func(n *Now) {
		if n.Race.Survived == 0 || stood < n.Race.Survived {
			n.Race.Survived = stood
		}
	})
}

func maxTime(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
