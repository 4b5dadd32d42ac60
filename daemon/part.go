package daemon

import (
	"context"
	"errors"
	"reflect"

	"faultkeep/daemon/config"
)

// part is one that works by the config. On a reload it goes on undisturbed,
// unless what it is made of has changed: then it is ended and begins anew.
type part struct {
	name   string
	madeOf func(*config.Loaded) any // compared with reflect.DeepEqual
	work   func(context.Context, *config.Loaded)
	end    func(limit context.Context) error // of the work that is going on
}

// follow starts a part that works by the config until its context ends, and
// registers its end. madeOf names all of the config that work reads.
func (a *App) follow(ctx context.Context, name string, madeOf func(*config.Loaded) any, work func(context.Context, *config.Loaded)) {
	p := &part{name: name, madeOf: madeOf, work: work}
	a.begin(ctx, p, a.loaded)
	a.parts = append(a.parts, p)
	a.undo(name, func(limit context.Context) error { return p.end(limit) })
}

func (a *App) begin(ctx context.Context, p *part, by *config.Loaded) {
	p.end = start(ctx, func(ctx context.Context) { p.work(ctx, by) })
}

// changed tells whether the part must begin anew to work by the next config.
func (p *part) changed(old, next *config.Loaded) bool {
	return !reflect.DeepEqual(p.madeOf(old), p.madeOf(next))
}

// run starts a part that works until its context ends, whatever the config
// says, and registers its end.
func (a *App) run(ctx context.Context, name string, work func(context.Context)) {
	a.undo(name, start(ctx, work))
}

// start begins work. end tells it to end and waits for that.
func start(ctx context.Context, work func(context.Context)) (end func(limit context.Context) error) {
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		work(ctx)
	}()
	return func(limit context.Context) error {
		cancel()
		select {
		case <-done:
			return nil
		case <-limit.Done():
			return errors.New("did not stop in time")
		}
	}
}
