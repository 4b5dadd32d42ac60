package link_test

import (
	"context"
	"errors"
	"os"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
)

// A drive that takes fewer connections than the config says is read over
// those it takes, and isn't asked for another one at every request.
func TestRefusedExtraConnection(t *testing.T) {
	inTime(t, 4, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		n.most = 1
		var all sync.WaitGroup
		for range 4 {
			all.Go(func() {
				for range 100 {
					if _, err := e.Read(t.Context(), 1, one); err != nil {
						t.Error(err)
					}
				}
			})
		}
		all.Wait()
		if len(n.dials) > 8 {
			t.Errorf("dialled %d times in %v", len(n.dials), time.Since(n.start))
		}
	})
}

func TestDeadEndpointIsNotHammered(t *testing.T) {
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		n.dialErr, n.dialTime = syscall.ECONNREFUSED, 20*time.Millisecond
		var all sync.WaitGroup
		for unit := range uint8(10) {
			all.Go(func() {
				for time.Since(n.start) < 5*time.Minute {
					asked := time.Now()
					_, err := e.Read(t.Context(), unit, one)
					if !errors.Is(err, syscall.ECONNREFUSED) {
						t.Errorf("%v, want connection refused", err)
					}
					if took := time.Since(asked); took > n.dialTime {
						t.Errorf("told after %v, want at once or after the dialling under way", took)
					}
					time.Sleep(250 * time.Millisecond)
				}
			})
		}
		all.Wait()
		// About four a second for a minute, while the failure is fresh; then one in 2 s.
		if len(n.dials) < 200 || len(n.dials) > 450 {
			t.Errorf("dialled %d times in 5 minutes", len(n.dials))
		}
		for i := 1; i < len(n.dials); i++ {
			if d := n.dials[i] - n.dials[i-1] - n.dialTime; d < 100*time.Millisecond || d > 3*time.Second+250*time.Millisecond {
				t.Errorf("pause %d is %v", i, d)
			}
		}
		if q := e.Quiet(3); q > 15*time.Second {
			t.Errorf("quiet for %v", q)
		}
		n.dialErr = nil
		time.Sleep(e.Quiet(3))
		if _, err := e.Read(t.Context(), 3, one); err != nil {
			t.Errorf("it is back: %v", err)
		}
		// Having been back, it is tried again soon when it goes once more.
		n.breaks = syscall.ECONNRESET
		for range 2 {
			e.Read(t.Context(), 3, one)
		}
		if q := e.Quiet(3); q > 150*time.Millisecond {
			t.Errorf("quiet for %v after a fresh failure", q)
		}
	})
}

// Everyone who waits hears of a failed dialling at once.
func TestWaitingCallersHearOfFailedDialling(t *testing.T) {
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		n.dialErr, n.dialTime = os.ErrDeadlineExceeded, 2*time.Second
		var all sync.WaitGroup
		for unit := range uint8(20) {
			all.Go(func() {
				_, err := e.Read(t.Context(), unit, one)
				if err == nil || time.Since(n.start) != 2*time.Second {
					t.Errorf("%v after %v", err, time.Since(n.start))
				}
			})
		}
		all.Wait()
		var held *link.Held
		_, err := e.Read(t.Context(), 1, one)
		if !errors.As(err, &held) || time.Since(n.start) != 2*time.Second || len(n.dials) != 1 {
			t.Errorf("%v after %v, want to be held off", err, time.Since(n.start))
		}
	})
}

// A drive that takes one connection mustn't be asked for a second one while
// the first is still being closed.
func TestFailedConnectionIsClosedBeforeAnother(t *testing.T) {
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		n.most, n.closing, n.dead[9] = 1, 50*time.Millisecond, true
		var all sync.WaitGroup
		for _, unit := range []uint8{9, 1, 2, 3} {
			all.Go(func() {
				if _, err := e.Read(t.Context(), unit, one); (err != nil) != (unit == 9) {
					t.Errorf("unit %d: %v", unit, err)
				}
			})
			synctest.Wait()
		}
		all.Wait()
		if len(n.dials) != 2 {
			t.Errorf("dialled at %v", n.dials)
		}
	})
}

// A connection that was good is dialled again at once; one that never
// answered counts as a failure to reach the endpoint.
func TestBrokenConnections(t *testing.T) {
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		if _, err := e.Read(t.Context(), 1, one); err != nil {
			t.Fatal(err)
		}
		n.breaks = syscall.ECONNRESET
		if _, err := e.Read(t.Context(), 1, one); !errors.Is(err, syscall.ECONNRESET) || n.open != 0 {
			t.Fatalf("%v, %d open", err, n.open)
		}
		before := time.Since(n.start)
		if _, err := e.Read(t.Context(), 1, one); !errors.Is(err, syscall.ECONNRESET) || n.dials[1] != before {
			t.Fatalf("%v, dialled at %v", err, n.dials)
		}
		for range 400 {
			e.Read(t.Context(), 1, one)
			time.Sleep(25 * time.Millisecond)
		}
		if len(n.dials) > 60 {
			t.Errorf("dialled %d times in 10 s", len(n.dials))
		}
		n.breaks = nil
		time.Sleep(e.Quiet(1))
		if _, err := e.Read(t.Context(), 1, one); err != nil {
			t.Error(err)
		}
	})
}

// One drive behind a gateway is dead, silently or by the gateway's word:
// neighbours go on, and lose at most one timeout for each step of the backoff.
func TestDeadUnitLeavesItsNeighboursAlone(t *testing.T) {
	for name, kill := range map[string]func(n *line){
		"silent":      func(n *line) { n.dead[9] = true },
		"by gateway":  func(n *line) { n.refuse[9] = link.GatewaySilent },
		"no such way": func(n *line) { n.refuse[9] = link.GatewayPath },
	} {
		t.Run(name, func(t *testing.T) {
			inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
				kill(n)
				ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
				defer cancel()
				var all sync.WaitGroup
				all.Go(func() {
					for ctx.Err() == nil {
						if _, err := e.Read(ctx, 9, one); err == nil {
							t.Error("a dead unit answered")
						}
						time.Sleep(250 * time.Millisecond)
					}
				})
				polls, slow := 0, 0
				for ctx.Err() == nil {
					asked := time.Now()
					if _, err := e.Read(t.Context(), 1, one); err != nil {
						t.Error(err)
					}
					polls++
					if took := time.Since(asked); took > 2*n.trip {
						slow++
						if took > n.timeout+2*n.trip {
							t.Errorf("a poll took %v", took)
						}
					}
					time.Sleep(100 * time.Millisecond)
				}
				all.Wait()
				dead := 0
				for _, l := range n.log {
					if strings.HasPrefix(l, "9@") {
						dead++
					}
				}
				most := 18
				if name != "silent" { // the gateway answers for it at once
					most = 100
				}
				if dead > most || dead < 10 || slow > dead || polls < 900 {
					t.Errorf("%d requests to the dead unit in 2 minutes, %d of %d polls of its neighbour slow", dead, slow, polls)
				}
				if q := e.Quiet(9); q > 15*time.Second {
					t.Errorf("quiet for %v", q)
				}
				delete(n.dead, 9)
				delete(n.refuse, 9)
				time.Sleep(e.Quiet(9))
				if _, err := e.Read(t.Context(), 9, one); err != nil || e.Quiet(9) != 0 {
					t.Errorf("it is back: %v", err)
				}
			})
		})
	}
}

// A refusal that doesn't end the connection must not cost one.
func TestExceptionKeepsTheConnection(t *testing.T) {
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		n.refuse[2] = link.Busy
		for range 5 {
			if _, err := e.Read(t.Context(), 2, one); !errors.Is(err, link.Busy) {
				t.Error(err)
			}
			if _, err := e.ReadFile(t.Context(), 1, 1, 0, 5); err != nil {
				t.Error(err)
			}
		}
		if len(n.dials) != 1 {
			t.Errorf("%d connections", len(n.dials))
		}
	})
}

func TestWaitingEndsWithItsContext(t *testing.T) {
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		n.trip = time.Second
		go e.Read(t.Context(), 1, one)
		synctest.Wait()
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		if _, err := e.Read(ctx, 2, one); !errors.Is(err, context.DeadlineExceeded) || time.Since(n.start) != 100*time.Millisecond {
			t.Errorf("%v after %v", err, time.Since(n.start))
		}
		if e.Quiet(2) != 0 {
			t.Error("impatience of the caller was taken for silence of the drive")
		}
		if _, err := e.Read(t.Context(), 2, one); err != nil || len(n.dials) != 1 {
			t.Errorf("%v, %d connections", err, len(n.dials))
		}
	})
}

func TestCloseEndsAllThatWaits(t *testing.T) {
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		var all sync.WaitGroup
		all.Go(func() {
			if _, err := e.Read(t.Context(), 1, one); err != nil {
				t.Errorf("the request under way: %v", err)
			}
		})
		synctest.Wait()
		for unit := range uint8(5) {
			all.Go(func() {
				if _, err := e.Read(t.Context(), unit, one); err == nil {
					t.Error("read from a closed endpoint")
				}
			})
		}
		synctest.Wait()
		e.Close()
		all.Wait()
		if took := time.Since(n.start); took != n.trip {
			t.Errorf("closing took %v", took)
		}
		if _, err := e.Read(t.Context(), 1, one); err == nil {
			t.Error("read from a closed endpoint")
		}
	})
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		n.dialTime = time.Hour
		go e.Read(t.Context(), 1, one)
		synctest.Wait()
		e.Close()
		if took := time.Since(n.start); took != 0 {
			t.Errorf("closing while dialling took %v", took)
		}
	})
}

func TestEndpointErrorsSayWhatAndWhere(t *testing.T) {
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		n.refuse[4] = link.IllegalAddress
		_, err := e.Read(t.Context(), 4, regmap.Read{Table: regmap.Input, Address: 100, Count: 125})
		var told *sources.Error
		if !errors.As(err, &told) || !sources.IsPermanent(err) || told.Object != "drives:502 unit 4" || told.Op != "read input 100–224" {
			t.Errorf("%v", err)
		}
	})
}

// A drive that is alone behind its address is asked again soon, however often
// it was silent: its silence costs nobody else anything.
func TestSilentUnitAloneIsAskedOn(t *testing.T) {
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		n.dead[9] = true
		for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
			if _, err := e.Read(t.Context(), 9, one); err == nil {
				t.Fatal("a dead unit answered")
			}
			if q := e.Quiet(9); q > 350*time.Millisecond {
				t.Fatalf("left alone for %v", q)
			}
		}
	})
}

// Units that were silent because their gateway was are asked as soon as one of
// them answers.
func TestOneThatAnswersWakesItsNeighbours(t *testing.T) {
	inTime(t, 1, 0, func(t *testing.T, n *line, e *link.Endpoint) {
		units := []uint8{1, 2, 3}
		for _, u := range units {
			n.dead[u] = true
		}
		for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
			for _, u := range units {
				_, _ = e.Read(t.Context(), u, one)
			}
		}
		for _, u := range units {
			n.dead[u] = false
		}
		for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(100 * time.Millisecond) {
			if time.Now().After(deadline) {
				t.Fatal("none answers")
			}
			if _, err := e.Read(t.Context(), 1, one); err == nil {
				break
			}
		}
		for _, u := range units {
			if _, err := e.Read(t.Context(), u, one); err != nil {
				t.Errorf("unit %d: %v", u, err)
			}
		}
	})
}
