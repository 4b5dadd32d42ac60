package modbus_test

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/sources"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

func TestRefusedDataIsToldOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		refuse := func(q drivesim.Request) drivesim.Action {
			if q.Count > 60 { // the data requests
				return drivesim.Action{Exception: 0x02}
			}
			return drivesim.Action{}
		}
		r := newRig(t, drivesim.Spec{Recorder: drivesim.Recorder{Samples: 2048}}, drivesim.Behaviour{Misbehave: refuse})
		defer r.close()
		r.start()
		r.armed()
		r.sim.Trip(time.Now(), drivesim.Jam)
		time.Sleep(30 * time.Second)
		m := r.misses()
		if len(m) != 1 || m[0].Cause != capture.CauseRefused || !strings.Contains(m[0].Text, "illegal data address") {
			r.dump()
			t.Fatalf("misses %+v", m)
		}
		if slices.ContainsFunc(r.sim.Writes(), func(w drivesim.WriteSeen) bool { return w.Kind == drivesim.WriteArm && w.Time.After(m[0].Time) }) {
			t.Error("the recorder was armed over a recording that isn't kept")
		}
	})
}

// settable is the block drive's map with settings that differ from the drive's.
const settable = `
settings:
  - {name: sample interval, holding: 40, type: uint32, value: 2000}
  - {name: pre-trigger share, holding: 43, value: 60}
`

func TestSettingsAreWrittenBeforeArmingAndReadBack(t *testing.T) {
	for name, c := range map[string]struct {
		allow    []string
		settable bool
		armed    bool
		interval float64
	}{
		"allowed":            {[]string{"arm", "settings"}, true, true, 0.002},
		"not allowed":        {[]string{"arm"}, true, true, 0.001},
		"the drive declines": {[]string{"arm", "settings"}, false, false, 0.001},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, drivesim.Spec{Recorder: drivesim.Recorder{Samples: 256, Settable: c.settable}}, drivesim.Behaviour{Latency: time.Millisecond},
					func(r *rig) { r.config.Allow = c.allow; r.mapped = parseMap(r.t, r.sim.Map()+settable) })
				defer func() {
					r.stop()
					r.server.Close()
					r.memory.Close()
				}()
				r.start()
				r.armed()
				r.sim.Trip(time.Now(), drivesim.Jam) // with the drive's own settings
				first := r.kept(1)[0]
				time.Sleep(3 * time.Second)
				if got := r.sim.State(time.Now()) == capture.Armed; got != c.armed {
					r.dump()
					t.Fatalf("armed: %v, want %v", got, c.armed)
				}
				var set, armed int
				for _, w := range r.sim.Writes() {
					switch w.Kind {
					case drivesim.WriteSetting:
						set++
					case drivesim.WriteArm:
						armed++
					}
					if w.Time.Before(first.Provenance.Pulled) {
						t.Errorf("%+v was written before the recording was kept", w)
					}
				}
				if !c.armed {
					if n := r.keeper.Seen(sources.SeenNotArm); len(n) != 1 || armed > 0 {
						t.Errorf("told %v, armed %d times", n, armed)
					}
					return
				}
				r.sim.Reset(time.Now())
				time.Sleep(time.Second)
				r.sim.Trip(time.Now(), drivesim.MainsDip)
				second := r.kept(2)[1]
				if second.Timing.Interval != c.interval {
					t.Errorf("the second recording has samples every %g s, want %g", second.Timing.Interval, c.interval)
				}
				if want := map[bool]int{true: 2, false: 0}[c.interval == 0.002]; set != want {
					t.Errorf("%d settings written, want %d", set, want)
				}
			})
		})
	}
}

func TestReadOnlyUnlessAllowedTwice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, drivesim.Spec{Recorder: drivesim.Recorder{Samples: 128, SelfArm: true}}, drivesim.Behaviour{},
			func(r *rig) { r.config.Allow = nil; r.config.Poll = strict.Duration(50 * time.Millisecond) })
		defer r.close()
		r.start()
		r.sim.Arm(time.Now())
		r.armed()
		for range 3 {
			r.sim.Trip(time.Now(), drivesim.Jam)
			time.Sleep(5 * time.Second)
			r.sim.Reset(time.Now())
			time.Sleep(2 * time.Second)
		}
		if n := len(r.keeper.Kept()); n != 3 {
			t.Errorf("%d captures of 3", n)
		}
		if w := r.sim.Writes(); len(w) > 0 {
			t.Errorf("wrote %v", w)
		}
	})
}
