package link

import (
	"context"
	"net"
	"slices"
	"sync"
	"time"
)

// dialler bounds a way of dialling that knows neither context nor our timeout.
// An attempt that outlives its caller is taken over by the next one instead
// of making a second: many drives accept a single connection.
type dialler struct {
	open    func() (Link, error) // comes to an end by itself
	timeout time.Duration
	mu      sync.Mutex
	orphans []*attempt // given up by their callers and still under way
}

type attempt struct {
	done chan struct{} // closed when link and err are set
	link Link
	err  error
}

func (d *dialler) dial(ctx context.Context) (Link, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	a := d.attempt()
	timer := time.NewTimer(d.timeout)
	defer timer.Stop()
	var err error
	select {
	case <-a.done:
	case <-ctx.Done():
		err = ctx.Err()
	case <-timer.C:
		err = &net.OpError{Op: "dial", Net: "tcp", Err: errSilent}
	}
	if err != nil && d.abandon(a) {
		return nil, err
	}
	return a.link, a.err
}

// attempt takes over an orphan, or begins a new attempt.
func (d *dialler) attempt() *attempt {
	d.mu.Lock()
	defer d.mu.Unlock()
	if n := len(d.orphans); n > 0 {
		a := d.orphans[n-1]
		d.orphans = d.orphans[:n-1]
		return a
	}
	a := &attempt{done: make(chan struct{})}
	go func() {
		link, err := d.open()
		d.mu.Lock()
		a.link, a.err = link, err
		close(a.done)
		i := slices.Index(d.orphans, a)
		if i >= 0 {
			d.orphans = slices.Delete(d.orphans, i, i+1)
		}
		d.mu.Unlock()
		if i >= 0 && err == nil {
			link.Close() // nobody waits for it any more
		}
	}()
	return a
}

// abandon makes an attempt an orphan; false where it has come to its end after all.
func (d *dialler) abandon(a *attempt) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	select {
	case <-a.done:
		return false
	default:
		d.orphans = append(d.orphans, a)
		return true
	}
}
