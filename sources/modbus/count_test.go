package modbus_test

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// tripsUnseen trips the drive n times while nobody watches; the last one stays.
func (r *rig) tripsUnseen(n int, armedEach bool) {
	for k := range n {
		if k > 0 {
			r.sim.Reset(time.Now())
		}
		if armedEach {
			r.sim.Arm(time.Now())
			time.Sleep(time.Second)
		}
		r.sim.Trip(time.Now(), drivesim.Jam)
		time.Sleep(10 * time.Second)
	}
}

func (r *rig) missesBy(cause capture.Cause) (texts []string) {
	for _, m := range r.misses() {
		if m.Cause == cause {
			texts = append(texts, m.Text)
		}
	}
	return texts
}

// Every trip that the drive counted while faultkeep was stopped is accounted
// for: as a capture where its recording is still there, as a miss otherwise.
func TestTripsWhileStopped(t *testing.T) {
	for _, c := range []struct {
		name         string
		before       bool // a trip is seen and kept before the stop, and stands, with its recording
		trips        int  // while stopped
		armed, reset bool // before each trip; after the last
		kept, misses int
	}{
		{name: "none", misses: 0},
		{name: "none, but one kept stands", before: true, kept: 1},
		{name: "one, reset", trips: 1, armed: true, reset: true, misses: 1},
		{name: "one, standing, recorded", trips: 1, armed: true, kept: 1},
		{name: "one, standing, not recorded", trips: 1, misses: 1},
		{name: "three, the last one standing and recorded", trips: 3, armed: true, kept: 1, misses: 2},
		{name: "three, all reset", trips: 3, reset: true, misses: 3},
		{name: "two after one that was kept, the last recorded", before: true, trips: 2, armed: true, kept: 2, misses: 1},
		{name: "two after one that was kept, all reset", before: true, trips: 2, reset: true, kept: 1, misses: 2},
		{name: "thirty, told in one", trips: 30, reset: true, misses: 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, drivesim.Spec{Recorder: drivesim.Recorder{Samples: 512}}, drivesim.Behaviour{Latency: time.Millisecond},
					func(r *rig) { r.config.Allow = nil })
				defer r.close()
				r.sim.Disarm(time.Now())
				if c.before {
					r.sim.Arm(time.Now())
				}
				r.start()
				if c.before {
					r.armed()
					r.sim.Trip(time.Now(), drivesim.Jam)
					r.kept(1)
				}
				time.Sleep(5 * time.Second)
				r.stop()
				if c.before && c.trips > 0 {
					r.sim.Reset(time.Now())
				}
				r.tripsUnseen(c.trips, c.armed)
				if c.reset {
					r.sim.Reset(time.Now())
				}
				for range 3 { // a second and a third start find nothing more
					r.start()
					time.Sleep(10 * time.Second)
					r.stop()
				}
				if n := len(r.keeper.Kept()); n != c.kept {
					t.Errorf("%d captures, want %d", n, c.kept)
				}
				if got := r.misses(); len(got) != c.misses || len(r.missesBy(capture.CauseNotRunning)) != c.misses {
					r.dump()
					t.Errorf("%d misses, want %d", len(got), c.misses)
				}
				if c.trips == 30 && !strings.Contains(fmt.Sprint(r.misses()), "30 faults") {
					t.Errorf("told: %v", r.misses())
				}
			})
		})
	}
}

// A trip that was seen, and reset while faultkeep was stopped, is told once,
// beside those that came after it.
func TestStoppedInATripThatWasNotTheLast(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, big(drivesim.Block), slowly(drivesim.Block), func(r *rig) { r.config.Allow = nil })
		defer r.close()
		r.sim.Arm(time.Now())
		r.start()
		r.armed()
		r.sim.Trip(time.Now(), drivesim.Jam)
		r.eventually("seen", 5*time.Second, func() bool { return len(r.keeper.Seen(sources.SeenTrip)) > 0 })
		r.stop()
		r.sim.Reset(time.Now())
		r.tripsUnseen(2, false) // the last one stands, with the same code
		for range 2 {
			r.start()
			time.Sleep(10 * time.Second)
			r.stop()
		}
		if n := len(r.missesBy(capture.CauseNotRunning)); n != 3 || len(r.misses()) != 3 || len(r.keeper.Kept()) != 0 {
			r.dump()
			t.Errorf("%d misses of 3 trips, %d captures", n, len(r.keeper.Kept()))
		}
	})
}

// A counter that begins anew proves nothing, and nothing is claimed.
func TestCounterThatBeganAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, drivesim.Spec{Recorder: drivesim.Recorder{Samples: 512}}, drivesim.Behaviour{Latency: time.Millisecond})
		defer r.close()
		r.start()
		r.armed()
		for range 3 {
			r.sim.Trip(time.Now(), drivesim.Jam)
			time.Sleep(20 * time.Second)
			r.sim.Reset(time.Now())
			time.Sleep(10 * time.Second)
		}
		r.stop()
		again := drivesim.New(r.sim.Spec(), time.Now()) // the same model, exchanged
		r.server.Close()
		r.memory = drivesim.NewMemory()
		r.server = drivesim.Serve(t.Context(), r.memory, map[uint8]*drivesim.Drive{1: again}, drivesim.Behaviour{Latency: time.Millisecond})
		r.start()
		time.Sleep(10 * time.Second)
		again.Trip(time.Now(), drivesim.Jam)
		r.kept(4)
		r.stop()
		if m := r.misses(); len(m) > 0 {
			t.Errorf("claimed: %+v", m)
		}
		if c := r.keeper.Seen(sources.SeenCount); len(c) == 0 || c[len(c)-1].Count != 1 {
			t.Errorf("the count noted last: %+v", c)
		}
	})
}
