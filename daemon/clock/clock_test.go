package clock_test

import (
	"context"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/daemon/clock"
)

// plan sets a fake wall clock: at a steady time, by so much.
type plan map[time.Duration]time.Duration

// watch runs for a while with a wall clock that is set as planned, and gives what was told.
func watch(t *testing.T, long time.Duration, set plan, off func(time.Duration) (time.Duration, bool)) (events []clock.Event) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		begin := time.Now()
		ctx, stop := context.WithTimeout(t.Context(), long)
		defer stop()
		clock.WatchBy(ctx, 2*time.Second, func() clock.Reading {
			steady := time.Since(begin)
			r := clock.Reading{Wall: begin.Add(steady).Round(0), Steady: steady}
			for when, by := range set {
				if steady >= when {
					r.Wall = r.Wall.Add(by)
				}
			}
			r.MaxError, r.Known = off(steady)
			return r
		}, func(e clock.Event) { events = append(events, e) })
	})
	return events
}

func never(time.Duration) (time.Duration, bool) { return 0, false }

func TestJumps(t *testing.T) {
	got := watch(t, time.Hour, plan{10 * time.Minute: -90 * time.Second, 20 * time.Minute: 3 * time.Hour, 30 * time.Minute: 499 * time.Millisecond, 40 * time.Minute: -500 * time.Millisecond}, never)
	want := []time.Duration{-90 * time.Second, 3 * time.Hour, -500 * time.Millisecond}
	if len(got) != len(want) {
		t.Fatalf("%v, want %v", got, want)
	}
	for i, e := range got {
		if e.Jump != want[i] || e.At.Sub(e.Before()) != want[i] {
			t.Errorf("%v, want a jump of %v", e, want[i])
		}
	}
	for i, want := range []string{"set back by 90.0 s", "set ahead by 3.0 h", "set back by 500 ms"} {
		if !strings.Contains(got[i].Words(), want) {
			t.Errorf("%q doesn't say %q", got[i].Words(), want)
		}
	}
}

// Two clocks that drift apart by 200 ppm never jump.
func TestSlowDriftIsNoJump(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begin := time.Now()
		ctx, stop := context.WithTimeout(t.Context(), 24*time.Hour)
		defer stop()
		clock.WatchBy(ctx, 2*time.Second, func() clock.Reading {
			steady := time.Since(begin)
			return clock.Reading{Wall: begin.Add(steady + steady/5000), Steady: steady}
		}, func(e clock.Event) { t.Errorf("told %v", e) })
	})
}

func TestUnsynchronised(t *testing.T) {
	for name, c := range map[string]struct {
		off  func(time.Duration) (time.Duration, bool)
		want []bool
	}{
		"not known":    {never, nil},
		"synchronised": {func(s time.Duration) (time.Duration, bool) { return s % time.Second, true }, nil},
		"in a while after boot": {func(s time.Duration) (time.Duration, bool) {
			return max(20*time.Millisecond, 16*time.Second-s/50), true
		}, nil},
		"never": {func(time.Duration) (time.Duration, bool) { return 16 * time.Second, true }, []bool{false}},
		"lost, found, lost": {func(s time.Duration) (time.Duration, bool) {
			if s > 20*time.Minute && s < 25*time.Minute {
				return time.Second, true
			}
			return 16 * time.Second, true
		}, []bool{false, true, false}},
	} {
		got := watch(t, time.Hour, nil, c.off)
		if len(got) != len(c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
			continue
		}
		for i, e := range got {
			if e.Synchronised != c.want[i] || e.Jump != 0 {
				t.Errorf("%s: %v", name, e)
			}
		}
	}
}

// The real clocks run, and Linux tells the error.
func TestRead(t *testing.T) {
	r := clock.Read()
	if d := time.Since(r.Wall); d < 0 || d > time.Minute {
		t.Errorf("the clock shows %v", r.Wall)
	}
	if runtime.GOOS == "linux" && !r.Known {
		t.Error("the kernel doesn't say how far off the clock may be")
	}
	if next := clock.Read(); next.Steady < r.Steady {
		t.Error("the steady clock went back")
	}
}
