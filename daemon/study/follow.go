package study

import (
	"context"
	"log/slog"
	"time"

	"faultkeep/daemon/analysis"
	"faultkeep/store/capture"
)

const (
	// atOnce is how many captures are studied between two writes to the disk
	// when many wait, after a new version of the analyses or a large import.
	atOnce = 20
	// breath is the pause between two of those, so that catching up leaves most
	// of the machine to the watch.
	breath = 200 * time.Millisecond
	// lookEvery is how often the whole store is looked through for captures
	// without findings: what was imported past the daemon, or failed before.
	lookEvery = 10 * time.Minute
	// mostUnasked bounds how many samples, of all channels together, are
	// analysed beside the watch: decoded they take 8 bytes each.
	mostUnasked = 8 << 20
)

// Follower studies captures as they are kept.
type Follower struct {
	desk *Desk
	log  *slog.Logger
	done func() // told whenever findings were stored
	kept chan capture.ID
}

// Follow makes a follower. done is called whenever findings were stored.
func (d *Desk) Follow(log *slog.Logger, done func()) *Follower {
	return &Follower{desk: d, log: log, done: done, kept: make(chan capture.ID, 256)}
}

// Kept tells of a capture that was kept. It never blocks: where too many wait,
// the next look through the store finds it.
func (f *Follower) Kept(id capture.ID) {
	select {
	case f.kept <- id:
	default:
	}
}

// Run studies what is kept until ctx ends; first what has no findings yet, or
// older ones.
func (f *Follower) Run(ctx context.Context) {
	look := time.NewTimer(0)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case id := <-f.kept:
			f.study(ctx, []capture.ID{id}, nil)
		case <-look.C:
			f.catchUp(ctx)
			look.Reset(lookEvery)
		}
	}
}

// catchUp studies what has no findings yet, newest first, and meanwhile what
// is kept before everything else.
func (f *Follower) catchUp(ctx context.Context) {
	failed := map[capture.ID]bool{} // not twice in one look
	touched := map[string]capture.ID{}
	defer func() { f.regroup(ctx, touched) }()
	for ctx.Err() == nil {
		list, err := f.desk.store.Unstudied(ctx, analysis.Version, atOnce+len(failed))
		if err != nil {
			f.warn(ctx, "what has no findings yet can't be listed", "error", err)
			return
		}
		batch := list[:0]
		for _, id := range list {
			if !failed[id] && len(batch) < atOnce {
				batch = append(batch, id)
			}
		}
		if len(batch) == 0 {
			return
		}
		for _, id := range f.study(ctx, batch, touched) {
			failed[id] = true
		}
	}
}

// study studies captures and stores all findings at once. It names those that
// couldn't be, and notes in touched, if it isn't nil, a capture of each group.
func (f *Follower) study(ctx context.Context, ids []capture.ID, touched map[string]capture.ID) (failed []capture.ID) {
	var results []result
	for i, id := range ids {
		if i > 0 && !f.rest(ctx) {
			return nil
		}
		r, err := f.compute(ctx, id)
		if err != nil {
			f.warn(ctx, "a capture can't be analysed", "id", id, "error", err)
			failed = append(failed, id)
			continue
		}
		if touched != nil && r.Group != "" {
			touched[r.Group] = id
		}
		results = append(results, r)
	}
	if err := f.desk.put(results...); err != nil {
		f.warn(ctx, "findings can't be stored; they are computed again later", "error", err)
		return ids
	}
	if len(results) > 0 {
		f.done()
	}
	return failed
}

// regroup sorts groups into families anew after many of their captures were
// looked at one by one: what comes of that depends a little on the order.
func (f *Follower) regroup(ctx context.Context, touched map[string]capture.ID) {
	for group, id := range touched {
		changed := false
		c, err := f.desk.store.Get(ctx, id)
		if err == nil {
			changed, err = f.desk.regroup(ctx, group, c)
		}
		if err != nil {
			f.warn(ctx, "families can't be sorted anew", "group", group, "error", err)
		}
		if changed {
			f.done()
		}
	}
}

func (f *Follower) compute(ctx context.Context, id capture.ID) (result, error) {
	c, err := f.desk.store.Get(ctx, id)
	if err != nil {
		return result{}, err
	}
	if c.Timing.Samples*len(c.Channels) > mostUnasked {
		return f.desk.tooLong(c), nil
	}
	return f.desk.compute(ctx, id)
}

// rest waits a little; what is kept meanwhile doesn't.
func (f *Follower) rest(ctx context.Context) bool {
	pause := time.NewTimer(breath)
	defer pause.Stop()
	for {
		select {
		case <-ctx.Done():
			return false
		case id := <-f.kept:
			f.study(ctx, []capture.ID{id}, nil)
		case <-pause.C:
			return true
		}
	}
}

func (f *Follower) warn(ctx context.Context, what string, args ...any) {
	if ctx.Err() == nil {
		f.log.Warn(what, args...)
	}
}
