package modbus

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

// How often a pull proves that the drive still holds the recording that it
// began with. Only what was read before such a check counts, so a check early
// on secures the region around the trigger; later ones are rarer, because each
// costs a request.
const (
	firstCheck   = 16                     // requests until the first check
	checkGrowth  = 4                      // each further one after so many times more requests,
	mostToCheck  = 256                    // up to this,
	mostChecked  = 500 * time.Millisecond // and after so long at the latest,
	leastChecked = 250 * time.Millisecond // or a third of the pull where that is less
	saveEvery    = 250 * time.Millisecond // longest time that proven data waits to be made durable
)

// pull reads one recording, tile by tile from the trigger outwards, over one
// or more connections. It holds the whole recording in memory, so that a store
// that can't write for a while doesn't lose the race.
type pull struct {
	size    int64
	brief   bool          // it is expected to take less than leastChecked
	every   time.Duration // from one check to the next at most
	clock   int           // requests between two looks at the clock, which costs a quick pull more than it is worth
	workers int
	read    func(context.Context, regmap.Tile) ([]byte, error)
	check   func(context.Context) error // nil: the same recording is still there
	last    func(context.Context) error // the check at the end
	save    func(context.Context, []capture.Chunk) error
	tell    func(done int64)

	mu       sync.Mutex
	todo     []regmap.Tile
	fresh    []capture.Chunk // read, not proven yet
	proven   []capture.Chunk // proven, not durable yet
	all      []capture.Chunk // everything proven in this run, should the draft be lost
	done     int64           // bytes read, resumed ones included
	checking bool
	since    int // requests since the last check
	due      int // requests from one check to the next
	checked  time.Time
	saved    time.Time
	saving   bool
	put      int // tiles put back to be asked again later
	refused  []refusal
	saves    sync.WaitGroup
}

// refusal is a tile that the drive won't hand out.
type refusal struct {
	tile regmap.Tile
	err  error
}

// mostPutBack bounds how often pieces are asked again that the drive failed to
// hand out without saying that it never will.
const mostPutBack = 20

// mostRefused is how many tiles may be refused before anything was read until
// the map is taken to be wrong.
const mostRefused = 3

// errRefused ends a pull of which nothing can be read.
var errRefused = errors.New("the drive refuses to hand out the recording")

// run reads everything in todo. It returns nil when all that the drive hands
// out was read and proven. Whatever the error, what is in proven is good.
func (p *pull) run(ctx context.Context) error {
	p.due, p.checked, p.saved = firstCheck, time.Now(), time.Now()
	if p.brief {
		p.due = math.MaxInt // over before a check among the requests could help; if not, time brings one
	}
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var workers sync.WaitGroup
	for range max(1, p.workers) {
		workers.Go(func() {
			if err := p.work(ctx); err != nil {
				stop(err)
			}
		})
	}
	workers.Wait()
	err := context.Cause(ctx)
	if err == nil {
		err = p.last(ctx)
	}
	p.saves.Wait()
	if err == nil {
		p.accept(p.fresh)
		p.fresh = nil
	}
	return err
}

// accept takes chunks as being of the recording.
func (p *pull) accept(chunks []capture.Chunk) {
	p.proven = append(p.proven, chunks...)
	p.all = append(p.all, chunks...)
}

func (p *pull) work(ctx context.Context) error {
	for ctx.Err() == nil {
		tile, batch, more := p.next()
		switch {
		case batch != nil:
			if err := p.check(ctx); err != nil {
				return err
			}
			p.prove(ctx, batch)
		case !more:
			return nil
		default:
			if err := p.one(ctx, tile); err != nil {
				return err
			}
		}
	}
	return nil
}

// next hands out what to do: prove the batch that was read so far, or read a tile.
func (p *pull) next() (tile regmap.Tile, batch []capture.Chunk, more bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	late := p.since >= firstCheck && p.since%p.clock == 0 && time.Since(p.checked) >= p.every
	if !p.checking && len(p.fresh) > 0 && len(p.todo) > 0 && (p.since >= p.due || late) {
		// The batch is what was read completely before the check begins: a
		// recording that is still there afterwards was there all the while.
		batch, p.fresh = p.fresh, nil
		p.checking, p.since = true, 0
		p.due = min(p.due, mostToCheck/checkGrowth) * checkGrowth
		return tile, batch, true
	}
	if len(p.todo) == 0 {
		return tile, nil, false
	}
	tile, p.todo = p.todo[0], p.todo[1:]
	p.since++
	return tile, nil, true
}

func (p *pull) one(ctx context.Context, tile regmap.Tile) error {
	answer, err := p.read(ctx, tile)
	if err == nil && len(answer) != tile.Bytes {
		err = fmt.Errorf("%d bytes came, %d were asked for", len(answer), tile.Bytes)
	}
	var exception link.Exception
	switch {
	case err == nil:
		p.mu.Lock()
		defer p.mu.Unlock()
		p.fresh = append(p.fresh, capture.Chunk{Part: capture.Data, Offset: tile.Offset, Bytes: answer})
		p.done += int64(len(answer))
		if len(p.fresh)%p.clock == 0 {
			p.tell(p.done)
			p.secure(ctx)
		}
		return nil
	case errors.As(err, &exception):
		// Either the recording is gone, or this piece can't be had now: the rest may still be.
		if gone := p.check(ctx); gone != nil {
			return gone
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		if !exception.Permanent() && p.put < mostPutBack {
			p.put++
			p.todo = append(p.todo, tile)
			return nil
		}
		p.refused = append(p.refused, refusal{tile, err})
		if len(p.refused) >= mostRefused && p.done == 0 {
			return fmt.Errorf("%w: %w", errRefused, err)
		}
		return nil
	}
	return err
}

// prove notes that batch is of the recording.
func (p *pull) prove(ctx context.Context, batch []capture.Chunk) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.accept(batch)
	p.checking, p.checked = false, time.Now()
	p.secure(ctx)
}

// secure makes what was proven durable, in the background, if the last time
// was a while ago: a quick pull needs no other commit than the one that keeps it.
func (p *pull) secure(ctx context.Context) {
	if p.saving || len(p.proven) == 0 || time.Since(p.saved) < saveEvery {
		return
	}
	chunks := p.proven
	p.proven, p.saving = nil, true
	p.saves.Go(func() {
		err := p.save(ctx, chunks)
		p.mu.Lock()
		defer p.mu.Unlock()
		p.saving, p.saved = false, time.Now()
		if err != nil { // it goes with the next batch, or with Keep
			p.proven = append(chunks, p.proven...)
		}
	})
}
