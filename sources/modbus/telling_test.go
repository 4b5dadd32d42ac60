package modbus_test

import (
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/sources"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

func TestMissesSayWhy(t *testing.T) {
	type do func(r *rig)
	trip := func(r *rig) { r.sim.Trip(time.Now(), drivesim.Jam) }
	disarm := func(r *rig) { r.sim.Disarm(time.Now()) }
	reset := func(r *rig) { r.sim.Reset(time.Now()) }
	wait := func(d time.Duration) do { return func(*rig) { time.Sleep(d) } }
	long := drivesim.Spec{Recorder: drivesim.Recorder{Samples: 2000, PreTrigger: 0.25}} // 1.5 s after the trigger
	for name, c := range map[string]struct {
		spec  drivesim.Spec
		allow []string
		steps []do
		want  capture.Cause
	}{
		"not armed":          {drivesim.Spec{}, nil, []do{disarm, wait(time.Second), trip, wait(2 * time.Second)}, capture.CauseNotArmed},
		"reset before ready": {long, []string{"arm"}, []do{trip, wait(time.Second), reset, wait(2 * time.Second)}, capture.CauseNotReady},
		"wrong trigger": {drivesim.Spec{Recorder: drivesim.Recorder{Trigger: drivesim.Trigger{On: drivesim.OnCode, Code: 0x8611}}},
			[]string{"arm"}, []do{trip, wait(2 * time.Second), reset, wait(2 * time.Second)}, capture.CauseNoTrigger},
		"power cut": {long, []string{"arm"}, []do{trip, wait(time.Second), func(r *rig) { r.sim.CutPower(time.Now(), 10*time.Second) },
			wait(30 * time.Second)}, capture.CauseUnreachable},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, c.spec, drivesim.Behaviour{Latency: time.Millisecond}, func(r *rig) { r.config.Allow = c.allow })
				defer r.close()
				r.start()
				time.Sleep(3 * time.Second)
				for _, step := range c.steps {
					step(r)
				}
				m := r.misses()
				if len(m) != 1 || m[0].Cause != c.want {
					r.dump()
					t.Fatalf("misses %+v, want one: %s", m, c.want)
				}
				if m[0].Text == "" || m[0].Advice == "" || m[0].Fault.Code == 0 {
					t.Errorf("a miss without words: %+v", m[0])
				}
				if n := len(r.keeper.Kept()); n > 0 {
					t.Errorf("%d captures", n)
				}
			})
		})
	}
}

func TestRaceThatCantBeWonIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, big(drivesim.Block), slowly(drivesim.Block), func(r *rig) { r.config.ResetAfter = strict.Duration(500 * time.Millisecond) })
		defer r.close()
		r.start()
		r.armed()
		r.sim.Trip(time.Now(), drivesim.Jam)
		r.kept(1)
		time.Sleep(time.Second)
		told := r.keeper.Seen(sources.SeenRace)
		if len(told) != 1 || told[0].Advice == "" || !strings.Contains(told[0].Text, "stands 0.4 s") {
			t.Errorf("%+v", told)
		}
	})
}

func TestCodeThatComesLaterThanItsBit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// The files face shows its fault bit in another table than its code:
		// trip just before the bit is read, after the code was.
		var r *rig
		var once sync.Once
		start := time.Now()
		script := func(q drivesim.Request) (a drivesim.Action) {
			if q.Function <= 2 && time.Since(start) > 3*time.Second {
				a.Before = func() { once.Do(func() { r.sim.Trip(time.Now(), drivesim.MainsDip) }) }
			}
			return a
		}
		r = newRig(t, drivesim.Spec{Face: drivesim.Files, Recorder: drivesim.Recorder{Samples: 128}},
			drivesim.Behaviour{Latency: time.Millisecond, Misbehave: script})
		defer r.close()
		r.start()
		c := r.kept(1)[0]
		trips := r.keeper.Seen(sources.SeenTrip)
		if len(trips) != 1 || trips[0].Fault.Code == 0 || c.Fault.Code != trips[0].Fault.Code {
			r.dump()
			t.Errorf("told of %+v, kept with %v", trips, c.Fault)
		}
	})
}
