package modbus

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"sync"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

// taking is one recording on its way from the drive into the store.
type taking struct {
	*watch
	rec      regmap.Recording
	checksum *regmap.Reading // the drive's own, read with the header
	identity string          // by the map's identity values; empty where it has none
	began    time.Time
	pulled   time.Time // the end of the pull
	requests int64     // of the line before this began
	tiles    []regmap.Tile
	reader   *tiles
	first    []byte // bytes of the first tile, where they were read to tell recordings apart
	opening  capture.Capture
	draft    sources.Draft // nil while the store doesn't give one
	resumed  bool
	pull     *pull
	kept     capture.ID

	mu   sync.Mutex // checks come from several connections
	seen time.Time  // last time that the recording was proven to be there
	told time.Time  // last progress told
}

// look reads what stands around the trigger, where nothing else tells this
// recording from another.
func (t *taking) look(ctx context.Context) error {
	t.seen = time.Now()
	t.guard.Holds(t.rec.Encoding.Size())
	if t.identity != "" {
		return nil
	}
	var err error
	t.first, err = t.reader.read(ctx, t.tiles[0])
	return err
}

// open begins a draft or resumes the one of this recording. A store that can't
// give one doesn't stop the pull: the bytes wait in memory.
func (t *taking) open(ctx context.Context) {
	t.opening = t.describe()
	if err := t.attach(ctx); err != nil {
		t.trouble("the store gives no draft; the recording is pulled into memory: " + err.Error())
	}
}

// errStale keeps a pull from going into a draft that is of another recording.
var errStale = errors.New("what an earlier pull left of another recording can't be kept yet")

func (t *taking) attach(ctx context.Context) error {
	d, err := t.keeper.Draft(ctx, t.opening)
	if err != nil {
		return err
	}
	if t.pull != nil && len(d.Have()) > 0 && d.Opening().ID != t.opening.ID {
		// Begun by an earlier run, and never compared with what was pulled meanwhile: not to be mixed with it.
		if !t.closeDraft(ctx, d, "Another recording had taken its place when the pull went on.") {
			return errStale
		}
		if d, err = t.keeper.Draft(ctx, t.opening); err != nil {
			return err
		}
	}
	t.draft = d
	if len(d.Have()) > 0 {
		fault := t.opening.Fault
		t.opening, t.resumed = d.Opening(), true
		if t.opening.Fault.Code == 0 && fault.Code != 0 {
			t.opening.Fault = fault
		}
		t.opening.Provenance.Resumed++
	}
	return nil
}

// describe is all that is known of the recording before its data is read.
func (t *taking) describe() capture.Capture {
	i := t.incident
	trigger := i.trigger(after(t.rec.Timing, t.rec.Trigger))
	trigger.Index, trigger.Drive = t.rec.Trigger, t.rec.DriveTime
	identity := t.identity
	if identity == "" {
		identity = fmt.Sprintf("bytes=%x", sha256.Sum256(t.first))
	}
	return capture.Capture{
		ID:   capture.NewID(trigger.Time, t.Config.Name, identity),
		Site: t.Site, Drive: t.Config.Name, Title: t.Title(), DriveType: t.Map.Name,
		Fault: i.fault, Trigger: trigger, Timing: t.rec.Timing,
		Channels: t.rec.Channels, Encoding: t.rec.Encoding, Settings: t.settings.found,
		Provenance: capture.Provenance{Source: "modbus", Address: t.object(), Map: t.Map.Name, MapHash: t.Map.Hash,
			Identity: identity, Ready: i.ready.UTC(), Opened: t.began.UTC()},
	}
}

// after is the time from the trigger sample to the last one.
func after(t capture.Timing, trigger int) time.Duration {
	return time.Duration(float64(t.Samples-1-trigger) * t.Interval * float64(time.Second))
}

// compare proves that a resumed draft is of the recording that is on the
// drive now, by reading one piece again that it already has.
func (t *taking) compare(ctx context.Context) error {
	if !t.resumed {
		return nil
	}
	for _, tile := range t.tiles {
		old, ok, err := t.draft.Bytes(capture.Data, tile.Offset, tile.Bytes)
		if err != nil || !ok {
			continue
		}
		now, err := t.reader.read(ctx, tile)
		if err != nil {
			return err
		}
		if bytes.Equal(old, now) {
			return nil
		}
		break
	}
	// Same name, other recording: never mix. What there was of it is kept by itself.
	if !t.closeDraft(ctx, t.draft, "Another recording had taken its place when the pull went on.") {
		return errStale
	}
	t.draft, t.resumed = nil, false
	t.open(ctx)
	return nil
}

// lay sets up the pull of what is missing.
func (t *taking) lay() {
	clock, each := 1, t.line.roundTrip()
	if each < time.Millisecond {
		clock = 16
	}
	if t.Map.Data.Layout == regmap.Window {
		each *= 2 // the page has to be turned too
	}
	expected := time.Duration(len(t.tiles)) * each / time.Duration(t.workers())
	p := &pull{clock: clock, brief: expected < leastChecked, every: min(max(expected/3, leastChecked), mostChecked), size: t.rec.Encoding.Size(), workers: t.workers(), read: t.reader.read,
		check: t.check, last: t.final, save: t.append, tell: t.progress}
	var have []capture.Range
	if t.draft != nil {
		have = t.draft.Have()
	}
	for _, tile := range t.tiles {
		if covered(have, tile) {
			p.done += int64(tile.Bytes)
			continue
		}
		p.todo = append(p.todo, tile)
	}
	t.pull = p
	t.observe(sources.Observation{Kind: sources.SeenPulling, ID: t.opening.ID,
		Done: p.done, Size: p.size, Fault: t.opening.Fault})
}

func covered(have []capture.Range, tile regmap.Tile) bool {
	for _, r := range have {
		if r.Start <= tile.Offset && tile.Offset+int64(tile.Bytes) <= r.End {
			return true
		}
	}
	return false
}

// check proves that the drive still holds this recording.
func (t *taking) check(ctx context.Context) error {
	var s status
	err := t.line.insist(ctx, func() (err error) {
		s, err = t.poller.poll(ctx, true)
		return err
	})
	if err != nil {
		return err
	}
	if s.State != capture.Ready {
		return &gone{cause: capture.CauseReset, at: s.From, state: s.State}
	}
	if s.Identity != t.identity {
		return &gone{cause: capture.CauseOverwritten, at: s.From, state: s.State}
	}
	if t.identity == "" {
		if err := t.again(ctx, t.tiles[0], t.first); err != nil {
			return err
		}
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.seen = s.From
	if t.incident.tripped && s.Tripped {
		t.name(t.incident, s)
	}
	return nil
}

// final is the last check. Where nothing names the recording, its head and
// tail are read again too.
func (t *taking) final(ctx context.Context) error {
	if t.identity == "" {
		for _, tile := range []regmap.Tile{t.outermost(false), t.outermost(true)} {
			if before, ok := t.piece(tile); ok {
				if err := t.again(ctx, tile, before); err != nil {
					return err
				}
			}
		}
	}
	return t.check(ctx)
}

// outermost is the first or the last tile of the data.
func (t *taking) outermost(last bool) regmap.Tile {
	found := t.tiles[0]
	for _, tile := range t.tiles {
		if last == (tile.Offset > found.Offset) {
			found = tile
		}
	}
	return found
}

// piece is what was read of a tile, wherever it waits.
func (t *taking) piece(tile regmap.Tile) ([]byte, bool) {
	for _, chunks := range [][]capture.Chunk{t.pull.all, t.pull.fresh} {
		for _, c := range chunks {
			if c.Offset == tile.Offset && len(c.Bytes) == tile.Bytes {
				return c.Bytes, true
			}
		}
	}
	if t.draft == nil {
		return nil, false
	}
	b, ok, err := t.draft.Bytes(capture.Data, tile.Offset, tile.Bytes)
	return b, ok && err == nil
}

// again reads a tile once more and compares.
func (t *taking) again(ctx context.Context, tile regmap.Tile, before []byte) error {
	now, err := t.reader.read(ctx, tile)
	if err != nil {
		return err
	}
	if !bytes.Equal(now, before) {
		return &gone{cause: capture.CauseOverwritten, at: time.Now(), state: capture.Ready}
	}
	return nil
}

func (t *taking) append(ctx context.Context, chunks []capture.Chunk) error {
	if t.draft == nil {
		return errors.New("there is no draft yet")
	}
	err := t.draft.Append(ctx, chunks...)
	if err != nil && ctx.Err() == nil {
		t.Log.Error("what was pulled can't be stored yet; it waits in memory", "error", err)
	}
	return err
}

// leave makes durable what there is before the pull is left for later. When
// faultkeep stops, one more check proves what was read since the last one.
func (t *taking) leave(ctx context.Context) {
	stopping := ctx.Err() != nil
	ctx, stop := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer stop()
	if p := t.pull; stopping && t.check(ctx) == nil {
		p.accept(p.fresh)
		p.fresh = nil
	}
	if len(t.pull.proven) > 0 && t.append(ctx, t.pull.proven) == nil {
		t.pull.proven = nil
	}
}

// progress tells live displays how far the pull is, a few times a second.
func (t *taking) progress(done int64) {
	if time.Since(t.told) < 200*time.Millisecond {
		return
	}
	t.told = time.Now()
	t.observe(sources.Observation{Kind: sources.SeenPulling, ID: t.opening.ID, Done: done, Size: t.pull.size})
}
