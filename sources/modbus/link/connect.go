package link

import (
	"context"
	"errors"
	"net"
	"os"
	"time"
)

// connect dials in the background: whoever asked first may leave, the others wait on.
func (e *Endpoint) connect() {
	e.dialing = true
	e.work.Add(1)
	go func() {
		defer e.work.Done()
		l, err := e.dial(e.ctx)
		e.mu.Lock()
		e.dialing = false
		closed := e.closed
		switch {
		case err == nil && !closed:
			e.open++
			e.idle = append(e.idle, &conn{link: l})
			e.sweepLater()
		case err == nil || closed:
		case e.open > 0:
			e.extra.fail(err)
		default:
			e.first.fail(err)
		}
		e.dispatch() // tells those who wait, if it failed
		e.mu.Unlock()
		if err == nil && closed {
			l.Close()
		}
	}()
}

// sweepLater sees to it that extra links don't stay open without work.
func (e *Endpoint) sweepLater() {
	if e.open > 1 && e.sweeper == nil && !e.closed {
		e.work.Add(1)
		e.sweeper = time.AfterFunc(Idle/4, e.sweep)
	}
}

func (e *Endpoint) sweep() {
	defer e.work.Done()
	e.mu.Lock()
	e.sweeper = nil
	for e.open > 1 && len(e.idle) > 0 && time.Since(e.idle[0].since) >= Idle {
		c := e.idle[0]
		e.idle = e.idle[1:]
		e.mu.Unlock()
		c.link.Close() // counted as open until it is closed
		e.mu.Lock()
		e.open--
	}
	e.sweepLater()
	e.dispatch()
	e.mu.Unlock()
}

// silent tells whether nobody answered in time.
func silent(err error) bool {
	var n net.Error
	return errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, context.DeadlineExceeded) ||
		errors.As(err, &n) && n.Timeout()
}
