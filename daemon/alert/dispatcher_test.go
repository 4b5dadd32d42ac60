package alert_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// run starts a dispatcher and returns what stops it and waits for its end.
func run(b alert.Outbox, o alert.Options) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		alert.NewDispatcher(b, o).Run(ctx)
	}()
	return func() { cancel(); <-done }
}

func TestOneSignalWakesEverySink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, x, y := newBox(), &sink{}, &sink{}
		defer run(b, alert.Options{Sinks: map[string]alert.Sink{"x": x, "y": y}})()
		synctest.Wait() // both look, find nothing and wait
		began := time.Now()
		b.put("a001", "x", "y")
		synctest.Wait()
		for name, s := range map[string]*sink{"x": x, "y": y} {
			calls := s.sends()
			if len(calls) != 1 || calls[0].at.Sub(began) != 0 {
				t.Errorf("sink %s saw %v; want one alert at once", name, calls)
			}
		}
		if len(b.left("x"))+len(b.left("y")) > 0 {
			t.Error("accepted messages are still in the outbox")
		}
	})
}

func TestDeadSinkDelaysNobodyAndKeepsOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBox()
		up := make(chan struct{})
		flaky := &sink{answer: func(context.Context, capture.Alert) error {
			select {
			case <-up:
				return nil
			default:
				return errDown
			}
		}}
		well := &sink{}
		want := ids(1, 80) // more than one batch
		for _, id := range want {
			b.put(id, "flaky", "well")
		}
		defer run(b, alert.Options{Sinks: map[string]alert.Sink{"flaky": flaky, "well": well}})()
		synctest.Wait()
		if diff := cmp.Diff(want, well.accepted()); diff != "" {
			t.Errorf("the well sink must have all at once, in order:\n%s", diff)
		}
		time.Sleep(time.Hour)
		for _, c := range flaky.sends() {
			if c.id != "a001" {
				t.Fatalf("%s was sent before the first alert was accepted", c.id)
			}
		}
		close(up)
		time.Sleep(5 * time.Minute)
		if diff := cmp.Diff(want, flaky.accepted()); diff != "" {
			t.Errorf("after the outage:\n%s", diff)
		}
	})
}

func TestFlappingSinkKeepsOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, n := newBox(), 0
		s := &sink{answer: func(context.Context, capture.Alert) error {
			if n++; n%3 != 0 {
				return errDown
			}
			return nil
		}}
		defer run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}})()
		for _, id := range ids(1, 20) {
			b.put(id, "s")
			time.Sleep(time.Second)
		}
		time.Sleep(time.Hour)
		if diff := cmp.Diff(ids(1, 20), s.accepted()); diff != "" {
			t.Error(diff)
		}
	})
}

// Two days without a network: the pauses grow to five minutes and no further,
// every alert arrives in order within five minutes of the network's return,
// and each is the same alert at every attempt.
func TestTwoDayOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBox()
		back := time.Now().Add(48 * time.Hour)
		seen := make(map[string]capture.Alert)
		s := &sink{answer: func(_ context.Context, a capture.Alert) error {
			if first, ok := seen[a.ID]; ok && first != a {
				t.Errorf("%s differs between attempts", a.ID)
			}
			seen[a.ID] = a
			if time.Now().Before(back) {
				return errDown
			}
			return nil
		}}
		defer run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}})()
		want := ids(1, 48)
		for _, id := range want {
			b.put(id, "s")
			time.Sleep(time.Hour)
		}
		if got := s.accepted(); len(got) > 0 {
			t.Fatalf("accepted %v during the outage", got)
		}
		time.Sleep(5 * time.Minute)
		if diff := cmp.Diff(want, s.accepted()); diff != "" {
			t.Errorf("five minutes after the network came back:\n%s", diff)
		}
		calls := s.sends()
		distinct := make(map[time.Duration]bool)
		for i := 1; i < len(calls); i++ {
			gap := calls[i].at.Sub(calls[i-1].at)
			if gap > 5*time.Minute {
				t.Fatalf("%s between two attempts", gap)
			}
			if calls[i-1].at.Before(back) && gap < time.Second {
				t.Fatalf("only %s between two attempts at a dead sink", gap)
			}
			distinct[gap] = true
		}
		if least := 48 * 60 / 5; len(calls) < least || len(calls) > 1000 {
			t.Errorf("%d attempts in two days", len(calls))
		}
		if len(distinct) < 100 {
			t.Errorf("only %d different pauses: no jitter", len(distinct))
		}
		for i, low := range []time.Duration{1500 * time.Millisecond, 3 * time.Second, 6 * time.Second, 12 * time.Second} {
			if gap := calls[i+1].at.Sub(calls[i].at); gap < low || gap > low*5/3+time.Millisecond {
				t.Errorf("pause %d is %s, want %s to %s", i+1, gap, low, low*5/3)
			}
		}
	})
}

// The next attempt and the number of failed ones are in the outbox, so that a
// restart neither hammers a dead sink nor forgets how long it has been dead.
func TestRestartGoesOnWhereItWas(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBox()
		s := &sink{answer: func(context.Context, capture.Alert) error { return errDown }}
		o := alert.Options{Sinks: map[string]alert.Sink{"s": s}}
		b.put("a001", "s")
		stop := run(b, o)
		time.Sleep(2 * time.Hour)
		stop()
		left := b.left("s")
		if len(left) != 1 || left[0].Tries != len(s.sends()) || left[0].LastError != "down" {
			t.Fatalf("outbox after the stop: %+v; %d attempts", left, len(s.sends()))
		}
		tried, next := len(s.sends()), left[0].Next
		defer run(b, o)()
		time.Sleep(time.Until(next) - time.Second)
		if n := len(s.sends()); n != tried {
			t.Fatalf("%d attempts before the time noted in the outbox", n-tried)
		}
		time.Sleep(time.Second + 10*time.Minute)
		calls := s.sends()
		if n := len(calls) - tried; n < 3 || n > 4 {
			t.Errorf("%d attempts within ten minutes of the restart, want 3 or 4: the pause began anew", n)
		}
	})
}

func TestRefusedIsSetAside(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBox()
		s := &sink{answer: func(_ context.Context, a capture.Alert) error {
			if a.ID == "a002" {
				return fmt.Errorf("wrapped: %w", alert.Refused{Err: errors.New("no such\nreceiver")})
			}
			return nil
		}}
		for _, id := range ids(1, 3) {
			b.put(id, "s")
		}
		var seen []alert.Outcome
		defer run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}, Observe: func(a alert.Attempt) { seen = append(seen, a.Outcome) }})()
		synctest.Wait()
		if diff := cmp.Diff([]string{"a001", "a003"}, s.accepted()); diff != "" {
			t.Error(diff)
		}
		if len(b.aside) != 1 || b.aside[0].Alert.ID != "a002" || b.aside[0].LastError != "wrapped: no such receiver" {
			t.Errorf("set aside: %+v", b.aside)
		}
		if diff := cmp.Diff([]alert.Outcome{alert.Sent, alert.Aside, alert.Sent}, seen); diff != "" {
			t.Error(diff)
		}
	})
}

// A sink that never comes back costs one goroutine, not one an attempt, and
// neither its neighbours nor the stop wait for it.
func TestHangingSinkIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBox()
		release := make(chan struct{})
		stuck := &sink{answer: func(context.Context, capture.Alert) error { <-release; return nil }}
		well := &sink{}
		b.put("a001", "stuck", "well")
		b.put("a002", "stuck", "well")
		var mu sync.Mutex
		failed := 0
		stop := run(b, alert.Options{Sinks: map[string]alert.Sink{"stuck": stuck, "well": well}, Timeout: 10 * time.Second,
			Observe: func(a alert.Attempt) {
				mu.Lock()
				defer mu.Unlock()
				if a.Sink == "stuck" && a.Outcome == alert.Failed {
					failed++
				}
			}})
		time.Sleep(time.Hour)
		if n := len(stuck.sends()); n != 1 {
			t.Errorf("%d sends to a sink that hangs in the first", n)
		}
		mu.Lock()
		if failed < 5 {
			t.Errorf("told of %d failures in an hour", failed)
		}
		mu.Unlock()
		if diff := cmp.Diff(ids(1, 2), well.accepted()); diff != "" {
			t.Errorf("its neighbour:\n%s", diff)
		}
		began := time.Now()
		stop()
		if took := time.Since(began); took > 2*time.Second {
			t.Errorf("the stop took %s", took)
		}
		close(release)
	})
}

func TestSinkThatObeysItsContextIsTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, n := newBox(), 0
		s := &sink{answer: func(ctx context.Context, _ capture.Alert) error {
			if n++; n > 2 {
				return nil
			}
			<-ctx.Done()
			return ctx.Err()
		}}
		b.put("a001", "s")
		var why []string
		defer run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}, Timeout: 10 * time.Second, Observe: func(a alert.Attempt) {
			if a.Err != nil {
				why = append(why, a.Err.Error())
			}
		}})()
		time.Sleep(time.Minute)
		synctest.Wait()
		if diff := cmp.Diff([]string{"a001"}, s.accepted()); diff != "" {
			t.Error(diff)
		}
		if s.most != 1 || len(why) != 2 || why[0] != "no answer within 10s: context deadline exceeded" {
			t.Errorf("%d at once, told %q", s.most, why)
		}
	})
}

// An answer that comes while faultkeep stops spares the receiver a double.
func TestAnswerDuringStopCounts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBox()
		s := &sink{answer: func(context.Context, capture.Alert) error { time.Sleep(500 * time.Millisecond); return nil }}
		b.put("a001", "s")
		stop := run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}})
		time.Sleep(100 * time.Millisecond)
		stop()
		if left := b.left("s"); len(left) != 0 {
			t.Errorf("still in the outbox: %+v", left)
		}
	})
}

// Being stopped is no failure of the sink.
func TestStopIsNoFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBox()
		s := &sink{answer: func(ctx context.Context, _ capture.Alert) error { <-ctx.Done(); return ctx.Err() }}
		b.put("a001", "s")
		stop := run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}})
		synctest.Wait()
		stop()
		if left := b.left("s"); len(left) != 1 || left[0].Tries != 0 {
			t.Errorf("outbox after the stop: %+v", left)
		}
	})
}

func TestBrokenSinkDoesNotEndTheDaemon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, n := newBox(), 0
		s := &sink{answer: func(context.Context, capture.Alert) error {
			if n++; n == 1 {
				panic("index out of range")
			}
			return nil
		}}
		b.put("a001", "s")
		defer run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}})()
		time.Sleep(time.Minute)
		if diff := cmp.Diff([]string{"a001"}, s.accepted()); diff != "" {
			t.Error(diff)
		}
	})
}

func TestReceiverMayAskForLater(t *testing.T) {
	for _, c := range []struct{ ask, want time.Duration }{
		{90 * time.Second, 90 * time.Second},
		{400 * 24 * time.Hour, time.Hour}, // nobody silences faultkeep for a year
	} {
		synctest.Test(t, func(t *testing.T) {
			b, n := newBox(), 0
			s := &sink{answer: func(context.Context, capture.Alert) error {
				if n++; n == 1 {
					return fmt.Errorf("busy: %w", alert.Later{Err: errDown, After: c.ask})
				}
				return nil
			}}
			b.put("a001", "s")
			defer run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}})()
			synctest.Wait()
			if wait := time.Until(b.left("s")[0].Next); wait != c.want {
				t.Errorf("asked for %s: the outbox says %s", c.ask, wait)
			}
			time.Sleep(2 * time.Hour)
			calls := s.sends()
			if len(calls) != 2 || calls[1].at.Sub(calls[0].at) != c.want {
				t.Errorf("asked for %s: %v", c.ask, calls)
			}
		})
	}
}
