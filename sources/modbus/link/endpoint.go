package link

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"faultkeep/sources/modbus/regmap"
)

// Idle is how long a connection beyond the first one is kept without work.
const Idle = 10 * time.Second

var errClosed = errors.New("the endpoint was closed")

// Endpoint shares few links to one address among the drives behind it. It is
// safe for concurrent use: every request waits for its turn. Of the units that
// wait, the one whose last turn is longest ago comes next, and the requests of
// one unit go in their order. So the pull of one drive interleaves with the
// polls of its neighbours.
//
// A second and further connection is made only for a unit that has several
// requests waiting at once, and closed again after Idle.
//
// A link that failed is closed; the next request dials again. Failures to
// reach the endpoint hold it off (see Held) for all, a unit that doesn't
// answer is held off alone. All errors come out of Classify.
type Endpoint struct {
	name        string
	dial        Dial
	connections int
	gap         time.Duration
	ctx         context.Context // ends with Close
	cancel      context.CancelFunc
	work        sync.WaitGroup // requests and dialling under way

	mu      sync.Mutex
	units   map[uint8]*unit
	asking  []*unit // units with requests waiting
	turns   uint64  // given so far
	idle    []*conn // last used last
	open    int     // links there are, idle or busy
	dialing bool
	first   *hold // of dialling while there is no link, and of links that never worked
	extra   *hold // of dialling while there is one
	sweeper *time.Timer
	closed  bool
}

// unit is one drive behind the endpoint.
type unit struct {
	id      uint8
	waiting []*waiter
	busy    int    // requests under way
	served  uint64 // number of its last turn
	hold    *hold
}

type waiter struct {
	unit *unit
	turn chan turn // capacity 1
}

// turn is a link to use, or the reason why there is none.
type turn struct {
	conn *conn
	err  error
}

type conn struct {
	link   Link
	proven bool      // it has answered at least once
	since  time.Time // end of the last request
}

// NewEndpoint shares up to connections links made by dial. name is the
// address as errors show it; gap is the least time from the end of a request
// to the next one on the same connection.
func NewEndpoint(name string, dial Dial, connections int, gap time.Duration) *Endpoint {
	ctx, cancel := context.WithCancel(context.Background())
	return &Endpoint{name: name, dial: dial, connections: max(1, connections), gap: gap, ctx: ctx, cancel: cancel,
		units: map[uint8]*unit{}, first: endpointHold(), extra: extraHold()}
}

// Read reads registers or bits, as Link does.
func (e *Endpoint) Read(ctx context.Context, unit uint8, r regmap.Read) (out []byte, err error) {
	err = e.do(ctx, unit, func(l Link) error {
		out, err = l.Read(ctx, unit, r)
		return err
	})
	if err != nil {
		return nil, Classify(e.object(unit), opRead(r), err)
	}
	return out, nil
}

// ReadFile reads registers of a file, as Link does.
func (e *Endpoint) ReadFile(ctx context.Context, unit uint8, file, record, words uint16) (out []byte, err error) {
	err = e.do(ctx, unit, func(l Link) error {
		out, err = l.ReadFile(ctx, unit, file, record, words)
		return err
	})
	if err != nil {
		return nil, Classify(e.object(unit), opFile(fileRef{file, record, words}), err)
	}
	return out, nil
}

// Units is how many units were asked so far.
func (e *Endpoint) Units() int {
	e.mu.Lock()
	defer e.mu.Unlock()
	return len(e.units)
}

// Quiet is how long a unit is still left alone because it, or the endpoint,
// doesn't answer; 0 when it may be asked.
func (e *Endpoint) Quiet(unit uint8) time.Duration {
	e.mu.Lock()
	defer e.mu.Unlock()
	until := time.Time{}
	if u := e.units[unit]; u != nil && u.hold.held() != nil {
		until = u.hold.until
	}
	if h := e.first.held(); h != nil && e.open == 0 && h.Until.After(until) {
		until = h.Until
	}
	return max(0, time.Until(until))
}

// Close ends all that waits and closes the links. It returns when the
// requests under way are done, each bounded by its timeout.
func (e *Endpoint) Close() error {
	e.mu.Lock()
	if e.closed {
		e.mu.Unlock()
		return nil
	}
	e.closed = true
	e.cancel()
	if e.sweeper != nil && e.sweeper.Stop() {
		e.work.Done()
	}
	e.refuse(nil, errClosed)
	idle := e.idle
	e.idle = nil
	e.open -= len(idle)
	e.mu.Unlock()
	var errs []error
	for _, c := range idle {
		errs = append(errs, c.link.Close())
	}
	e.work.Wait()
	return errors.Join(errs...)
}

func (e *Endpoint) object(unit uint8) string { return fmt.Sprintf("%s unit %d", e.name, unit) }

// do runs one request when it is its turn.
func (e *Endpoint) do(ctx context.Context, id uint8, request func(Link) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	e.mu.Lock()
	if e.closed {
		e.mu.Unlock()
		return errClosed
	}
	e.work.Add(1)
	defer e.work.Done()
	u := e.units[id]
	if u == nil {
		u = &unit{id: id}
		e.units[id] = u
	}
	if h := u.hold.held(); h != nil {
		e.mu.Unlock()
		return h
	}
	if len(e.asking) == 0 && len(e.idle) > 0 {
		c := e.take(u)
		e.mu.Unlock()
		return e.run(ctx, u, c, request)
	}
	w := &waiter{unit: u, turn: make(chan turn, 1)}
	if len(u.waiting) == 0 {
		e.asking = append(e.asking, u)
	}
	u.waiting = append(u.waiting, w)
	e.dispatch()
	e.mu.Unlock()

	var t turn
	select {
	case t = <-w.turn:
	case <-ctx.Done():
		if e.leave(w) {
			return ctx.Err()
		}
		t = <-w.turn
	}
	if t.err != nil {
		return t.err
	}
	return e.run(ctx, u, t.conn, request)
}

// run does a request whose turn it is.
func (e *Endpoint) run(ctx context.Context, u *unit, c *conn, request func(Link) error) error {
	var err error
	if e.gap > 0 {
		err = pause(ctx, time.Until(c.since.Add(e.gap)))
	}
	if err != nil {
		err = &unsent{err}
	} else {
		err = request(c.link)
		c.since = time.Now()
	}
	e.release(ctx, u, c, err)
	return err
}

func pause(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// leave takes a waiter out of the queue; false where its turn has come.
func (e *Endpoint) leave(w *waiter) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	u := w.unit
	i := slices.Index(u.waiting, w)
	if i < 0 {
		return false
	}
	u.waiting = slices.Delete(u.waiting, i, i+1)
	if len(u.waiting) == 0 {
		e.settle(u)
	}
	return true
}

// settle notes that nothing of the unit waits any more.
func (e *Endpoint) settle(u *unit) {
	e.asking = slices.DeleteFunc(e.asking, func(each *unit) bool { return each == u })
}

// release judges how a request ended and hands its link on, or closes it.
func (e *Endpoint) release(ctx context.Context, u *unit, c *conn, err error) {
	usable := Usable(err)
	if !usable {
		c.link.Close() // before another may be made in its place
	}
	e.mu.Lock()
	u.busy--
	var refused Exception
	excepted := errors.As(err, &refused)
	if (err == nil || excepted) && !c.proven {
		c.proven = true
		e.first.clear()
		e.extra.clear()
	}
	switch {
	case refused == GatewayPath, refused == GatewaySilent, silent(err) && ctx.Err() == nil:
		e.rest(u, err)
	case err == nil, excepted:
		if u.hold != nil {
			e.revive()
		}
		u.hold = nil
	case !usable && !c.proven && ctx.Err() == nil:
		e.first.fail(err)
	}
	late := usable && e.closed
	if usable && !late {
		e.idle = append(e.idle, c)
	} else {
		e.open--
	}
	e.dispatch()
	e.mu.Unlock()
	if late {
		c.link.Close()
	}
}

// revive lets every unit be asked at once: where one answers again, the others
// may have been silent for the same reason, such as a gateway that was down.
func (e *Endpoint) revive() {
	for _, u := range e.units {
		if u.hold != nil {
			u.hold.until = time.Now()
		}
	}
}

// rest leaves a unit alone for a while; its waiting requests learn it at once.
func (e *Endpoint) rest(u *unit, err error) {
	if u.hold == nil {
		switch {
		case !silent(err):
			u.hold = absentHold()
		case len(e.units) == 1:
			u.hold = aloneHold()
		default:
			u.hold = silentHold()
		}
	}
	u.hold.fail(err)
	e.refuse(u, u.hold.held())
}

// refuse ends the waiting of one unit, or of all where u is nil.
func (e *Endpoint) refuse(u *unit, err error) {
	for _, each := range slices.Clone(e.asking) {
		if u != nil && u != each {
			continue
		}
		for _, w := range each.waiting {
			w.turn <- turn{err: err}
		}
		each.waiting = nil
		e.settle(each)
	}
}

// dispatch hands idle links to those who wait, and dials where that is due.
func (e *Endpoint) dispatch() {
	for len(e.asking) > 0 && len(e.idle) > 0 {
		u := slices.MinFunc(e.asking, func(a, b *unit) int { return cmp.Compare(a.served, b.served) })
		w := u.waiting[0]
		u.waiting = u.waiting[1:]
		if len(u.waiting) == 0 {
			e.settle(u)
		}
		w.turn <- turn{conn: e.take(u)}
	}
	if len(e.asking) == 0 || e.dialing || e.closed {
		return
	}
	if e.open == 0 {
		if h := e.first.held(); h != nil {
			e.refuse(nil, h)
			return
		}
		e.connect()
		return
	}
	if e.open >= e.connections || e.extra.held() != nil {
		return
	}
	for _, u := range e.asking {
		if u.busy+len(u.waiting) > 1 {
			e.connect()
			return
		}
	}
}

// take gives an idle link to a unit.
func (e *Endpoint) take(u *unit) *conn {
	e.turns++
	u.served = e.turns
	u.busy++
	c := e.idle[len(e.idle)-1]
	e.idle = e.idle[:len(e.idle)-1]
	return c
}
