package link_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
)

// line is a pretended drive network in virtual time: requests take time, and
// units or the whole of it can be dead.
type line struct {
	mu       sync.Mutex
	trip     time.Duration            // of one request
	timeout  time.Duration            // of a dead unit
	dead     map[uint8]bool           // units that don't answer
	refuse   map[uint8]link.Exception // units that refuse
	dialErr  error
	dialTime time.Duration
	closing  time.Duration // that it takes to close a connection
	most     int           // connections accepted; 0: any number
	breaks   error         // every request fails so, once the connection is open

	dials   []time.Duration // since start
	start   time.Time
	open    int
	peak    int
	log     []string // "unit@connection", in the order of requests
	ends    map[int]time.Duration
	writes  []regmap.Write
	overlap bool
}

func newLine() *line {
	return &line{trip: 10 * time.Millisecond, timeout: time.Second, dead: map[uint8]bool{},
		refuse: map[uint8]link.Exception{}, start: time.Now(), ends: map[int]time.Duration{}}
}

func (n *line) dial(ctx context.Context) (link.Link, error) {
	n.mu.Lock()
	n.dials = append(n.dials, time.Since(n.start))
	id, err, full := len(n.dials), n.dialErr, n.most > 0 && n.open >= n.most
	n.mu.Unlock()
	select {
	case <-time.After(n.dialTime):
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if err == nil && full {
		err = syscall.ECONNREFUSED
	}
	if err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	n.open++
	n.peak = max(n.peak, n.open)
	return &wire{line: n, id: id}, nil
}

type wire struct {
	line   *line
	id     int
	busy   bool
	closed bool
}

func (w *wire) do(ctx context.Context, unit uint8) error {
	n := w.line
	n.mu.Lock()
	n.overlap = n.overlap || w.busy || w.closed
	w.busy = true
	n.log = append(n.log, fmt.Sprintf("%d@%d", unit, w.id))
	took, err := n.trip, n.breaks
	if e, ok := n.refuse[unit]; ok {
		err = e
	}
	if n.dead[unit] {
		took, err = n.timeout, os.ErrDeadlineExceeded
	}
	n.mu.Unlock()
	time.Sleep(took)
	n.mu.Lock()
	defer n.mu.Unlock()
	w.busy = false
	n.ends[w.id] = time.Since(n.start)
	return err
}

func (w *wire) Read(ctx context.Context, unit uint8, r regmap.Read) ([]byte, error) {
	if err := w.do(ctx, unit); err != nil {
		return nil, err
	}
	return make([]byte, 2*r.Count), nil
}

func (w *wire) ReadFile(ctx context.Context, unit uint8, _, _, words uint16) ([]byte, error) {
	return w.Read(ctx, unit, regmap.Read{Count: words})
}

func (w *wire) Write(ctx context.Context, unit uint8, wr regmap.Write) error {
	w.line.mu.Lock()
	w.line.writes = append(w.line.writes, wr)
	w.line.mu.Unlock()
	return w.do(ctx, unit)
}

func (w *wire) Close() error {
	time.Sleep(w.line.closing)
	w.line.mu.Lock()
	defer w.line.mu.Unlock()
	w.line.overlap = w.line.overlap || w.closed // closed twice
	w.closed = true
	w.line.open--
	return nil
}

var one = regmap.Read{Table: regmap.Holding, Address: 100, Count: 1}

// inTime runs a test in virtual time and checks that nothing was left open.
func inTime(t *testing.T, connections int, gap time.Duration, f func(t *testing.T, n *line, e *link.Endpoint)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		n := newLine()
		e := link.NewEndpoint("drives:502", n.dial, connections, gap)
		f(t, n, e)
		if err := e.Close(); err != nil {
			t.Error(err)
		}
		if n.open != 0 {
			t.Errorf("%d connections left open", n.open)
		}
		if n.overlap {
			t.Error("a connection was used twice at once, or after its end")
		}
		if n.peak > connections {
			t.Errorf("%d connections at once, %d are allowed", n.peak, connections)
		}
	})
}

// Several pulls of one drive at once leave its neighbours every other turn.
func TestTurnsGoRoundTheUnits(t *testing.T) {
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		var all sync.WaitGroup
		for range 4 {
			all.Go(func() {
				for range 25 {
					if _, err := e.Read(t.Context(), 1, one); err != nil {
						t.Error(err)
					}
				}
			})
		}
		time.Sleep(5 * time.Millisecond)
		var worst time.Duration
		for range 20 {
			asked := time.Now()
			if _, err := e.Read(t.Context(), 2, one); err != nil {
				t.Error(err)
			}
			worst = max(worst, time.Since(asked))
			time.Sleep(7 * time.Millisecond)
		}
		all.Wait()
		if worst > 2*n.trip {
			t.Errorf("a poll waited %v behind a pull, want at most the request under way and its own (%v)", worst, 2*n.trip)
		}
		if len(n.dials) != 1 || len(n.log) != 120 {
			t.Errorf("%d connections, %d requests", len(n.dials), len(n.log))
		}
	})
}

func TestRequestsOfOneUnitKeepTheirOrder(t *testing.T) {
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		var mu sync.Mutex
		var order []int
		var all sync.WaitGroup
		for i := range 10 {
			all.Go(func() {
				time.Sleep(time.Duration(i) * time.Microsecond)
				if _, err := e.Read(t.Context(), 1, one); err != nil {
					t.Error(err)
				}
				mu.Lock()
				order = append(order, i)
				mu.Unlock()
			})
		}
		all.Wait()
		for i := range order {
			if order[i] != i {
				t.Fatalf("order %v", order)
			}
		}
	})
}

func TestGapBetweenRequests(t *testing.T) {
	inTime(t, 1, 30*time.Millisecond, func(t *testing.T, n *line, e *link.Endpoint) {
		for range 5 {
			if _, err := e.Read(t.Context(), 1, one); err != nil {
				t.Fatal(err)
			}
		}
		if took := time.Since(n.start); took != 5*n.trip+4*30*time.Millisecond {
			t.Errorf("5 requests took %v, want 170ms", took)
		}
		// Who gives up while waiting for the gap costs nobody the connection.
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
		defer cancel()
		began := time.Now()
		if _, err := e.Read(ctx, 1, one); !errors.Is(err, context.DeadlineExceeded) {
			t.Error(err)
		}
		if _, err := e.Read(t.Context(), 1, one); err != nil || len(n.dials) != 1 {
			t.Errorf("%v, %d connections", err, len(n.dials))
		}
		if took := time.Since(began); took != 30*time.Millisecond+n.trip {
			t.Errorf("giving up in the gap made the next request wait: it came after %v", took)
		}
	})
}

func TestParallelPullUsesMoreConnectionsAndGivesThemBack(t *testing.T) {
	inTime(t, 4, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		n.dialTime = time.Millisecond
		// Neighbours that poll at the same time share one connection.
		var all sync.WaitGroup
		for unit := range uint8(6) {
			all.Go(func() { e.Read(t.Context(), unit, one) })
		}
		all.Wait()
		if n.peak != 1 {
			t.Errorf("%d connections for polls alone", n.peak)
		}
		began := time.Now()
		for range 4 {
			all.Go(func() {
				for range 50 {
					if _, err := e.Read(t.Context(), 1, one); err != nil {
						t.Error(err)
					}
				}
			})
		}
		all.Wait()
		if took := time.Since(began); n.peak != 4 || took > 54*n.trip {
			t.Errorf("200 requests over %d connections took %v", n.peak, took)
		}
		for range 60 { // polls go on meanwhile
			time.Sleep(250 * time.Millisecond)
			if _, err := e.Read(t.Context(), 1, one); err != nil {
				t.Fatal(err)
			}
		}
		synctest.Wait()
		if n.open != 1 {
			t.Errorf("%d connections still open 15 s after the pull", n.open)
		}
	})
}
