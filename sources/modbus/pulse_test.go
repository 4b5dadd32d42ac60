package modbus_test

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/drivesim"
	"faultkeep/sources/modbus"
	"faultkeep/sources/modbus/link"
)

// onTime looks again and again, until done, whether the watch is late.
func onTime(t *testing.T, d *modbus.Drive, span time.Duration, done func() bool) {
	t.Helper()
	for end := time.Now().Add(span); time.Now().Before(end) && !done(); time.Sleep(500 * time.Millisecond) {
		if late := d.Pulse().Late(); late > 0 {
			t.Fatalf("late by %v", late)
		}
	}
}

func TestABusyPullIsOnTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, drivesim.Spec{Recorder: drivesim.Recorder{Samples: 4096}}, drivesim.Behaviour{Latency: 800 * time.Millisecond})
		defer r.close()
		r.start()
		r.armed()
		r.sim.Trip(time.Now(), drivesim.Jam)
		began := time.Now()
		onTime(t, r.drive, time.Hour, func() bool { return len(r.keeper.Kept()) > 0 })
		if took := time.Since(began); len(r.keeper.Kept()) == 0 || took < 2*time.Minute {
			t.Fatalf("%d kept after %v: the pull is no longer than the bound of one step", len(r.keeper.Kept()), took)
		}
	})
}

func TestAnUnreachableDriveIsOnTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, drivesim.Spec{}, drivesim.Behaviour{BlackHole: true})
		defer r.close()
		r.start()
		onTime(t, r.drive, time.Hour, func() bool { return false })
	})
}

func TestAStoreThatFailsIsOnTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, drivesim.Spec{Recorder: drivesim.Recorder{Samples: 512}}, drivesim.Behaviour{Latency: 2 * time.Millisecond})
		defer r.close()
		var full atomic.Bool
		r.keeper.Fail = func(op string) error {
			if full.Load() {
				return errors.New("no space left on device")
			}
			return nil
		}
		r.start()
		r.armed()
		full.Store(true)
		r.sim.Trip(time.Now(), drivesim.Jam)
		onTime(t, r.drive, 20*time.Minute, func() bool { return false })
		full.Store(false)
	})
}

// hanging is a keeper that never answers.
type hanging struct {
	sources.Keeper
	until chan struct{}
}

func (h hanging) Earlier(context.Context, string) (sources.Earlier, error) {
	<-h.until
	return sources.Earlier{Count: -1}, nil
}

func TestAWatchThatHangsIsLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, drivesim.Spec{}, drivesim.Behaviour{Latency: 2 * time.Millisecond})
		endpoint := link.NewEndpoint("memory", link.DialOver(r.memory.Dial, time.Second), 1, 0)
		defer endpoint.Close()
		d := modbus.New(modbus.Options{Config: r.config, Map: r.mapped, Endpoint: endpoint})
		ctx, stop := context.WithCancel(t.Context())
		h := hanging{r.keeper, make(chan struct{})}
		done := make(chan struct{})
		go func() { defer close(done); _ = d.Watch(ctx, h) }()
		time.Sleep(30 * time.Second)
		if late := d.Pulse().Late(); late > 0 {
			t.Errorf("late by %v within the longest step", late)
		}
		time.Sleep(5 * time.Minute)
		if d.Pulse().Late() == 0 {
			t.Error("a watch that hangs isn't late")
		}
		close(h.until)
		time.Sleep(5 * time.Second)
		if late := d.Pulse().Late(); late > 0 {
			t.Errorf("late by %v once it goes on", late)
		}
		stop()
		<-done
	})
}
