package modbus_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/drivesim"
)

// TestSlowLedgerCostsNoRace lets every entry of the ledger take half a second,
// as on a disk that syncs slowly, and resets the drive as soon as a pull can be
// done: what is told before the pull must not delay it.
func TestSlowLedgerCostsNoRace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, drivesim.Spec{Recorder: drivesim.Recorder{Samples: 1024, Interval: 100 * time.Microsecond, PreTrigger: 0.99}},
			drivesim.Behaviour{Latency: time.Millisecond})
		defer r.close()
		r.keeper.Fail = func(op string) error {
			if op == "observe" {
				time.Sleep(500 * time.Millisecond)
			}
			return nil
		}
		r.start()
		r.armed()
		r.sim.Trip(time.Now(), drivesim.Jam)
		time.Sleep(300 * time.Millisecond) // a poll of 100 ms, and 70 requests of 1 ms
		r.sim.Reset(time.Now())
		c := r.kept(1)[0]
		if r.truth(c); !c.Integrity.Whole {
			t.Errorf("%+v", c.Integrity)
		}
		time.Sleep(10 * time.Second)
		if trips := r.keeper.Seen(sources.SeenTrip); len(trips) != 1 {
			t.Errorf("told of %d trips", len(trips))
		}
	})
}

// TestStaleDraftIsNeverMixedWith leaves a draft behind, lets another recording
// with the same identity take its recording's place, and has the store refuse
// to close the draft for a while.
func TestStaleDraftIsNeverMixedWith(t *testing.T) {
	for _, op := range []string{"keep", "draft"} {
		t.Run(op+" fails", func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				spec := big(drivesim.Block)
				spec.Recorder.VolatileCounter, spec.Recorder.NoTime = true, true // both recordings are number 1
				spec.Recorder.SelfArm = true
				r := newRig(t, spec, slowly(drivesim.Block))
				defer r.close()
				r.start()
				r.armed()
				r.tripAndWait(0.8)
				r.stop()
				r.sim.CutPower(time.Now(), 2*time.Second)
				time.Sleep(5 * time.Second)
				r.sim.Trip(time.Now(), drivesim.Jam)
				time.Sleep(5 * time.Second)
				mended := time.Now().Add(5 * time.Second)
				r.keeper.Fail = func(did string) error {
					if did == op && time.Now().Before(mended) {
						return context.DeadlineExceeded
					}
					return nil
				}
				r.start()
				kept := r.kept(2)
				first, second := r.truth(kept[0]), r.truth(kept[1])
				if first.Number == second.Number || kept[0].Integrity.Whole || !kept[1].Integrity.Whole {
					t.Errorf("kept %+v of %d and %+v of %d", kept[0].Integrity, first.Number, kept[1].Integrity, second.Number)
				}
			})
		})
	}
}

// TestWhatTheLedgerRefusesIsToldAgain breaks the ledger while a trip is missed.
func TestWhatTheLedgerRefusesIsToldAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, drivesim.Spec{}, drivesim.Behaviour{}, func(r *rig) { r.config.Allow = nil })
		defer r.close()
		mended := time.Now().Add(20 * time.Second)
		r.keeper.Fail = func(op string) error {
			if op == "observe" && time.Now().Before(mended) {
				return context.DeadlineExceeded
			}
			return nil
		}
		r.sim.Disarm(time.Now())
		r.start()
		time.Sleep(2 * time.Second)
		r.sim.Trip(time.Now(), drivesim.Jam)
		time.Sleep(5 * time.Second)
		if n := len(r.misses()); n > 0 {
			t.Fatalf("%d misses in a ledger that takes none", n)
		}
		time.Sleep(20 * time.Second)
		if n := len(r.misses()); n != 1 {
			t.Errorf("%d misses, want one", n)
		}
	})
}
