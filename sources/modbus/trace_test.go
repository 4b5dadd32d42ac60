package modbus_test

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/sources"
	"faultkeep/sources/drivesim"
	"faultkeep/sources/modbus"
	"faultkeep/store/capture"
)

func TestTraceIsKeptAroundEveryTrip(t *testing.T) {
	for name, c := range map[string]struct {
		spec  drivesim.Spec
		ready bool
	}{
		"beside a recording":  {drivesim.Spec{Recorder: drivesim.Recorder{Samples: 256}}, true},
		"where there is none": {drivesim.Spec{Recorder: drivesim.Recorder{Samples: 2000, PreTrigger: 0.1}}, false},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, c.spec, drivesim.Behaviour{Latency: time.Millisecond}, func(r *rig) {
					r.config.Trace = &modbus.TraceConfig{Before: strict.Duration(10 * time.Second), After: strict.Duration(5 * time.Second)}
				})
				defer r.close()
				r.start()
				time.Sleep(30 * time.Second)
				tripped := time.Now()
				r.sim.Trip(tripped, drivesim.Jam)
				time.Sleep(time.Second)
				if c.ready {
					r.kept(1)
				}
				r.sim.Reset(time.Now())
				time.Sleep(10 * time.Second)
				traces := r.keeper.Traces()
				if len(traces) != 1 {
					r.dump()
					t.Fatalf("%d traces", len(traces))
				}
				tr := traces[0]
				if kept := r.keeper.Kept(); c.ready && tr.Of != kept[0].ID || !c.ready && (tr.Of != "" || len(kept) > 0 || len(r.misses()) != 1) {
					t.Errorf("a trace of %q, %d captures, %d misses", tr.Of, len(kept), len(r.misses()))
				}
				series, err := tr.Encoding.Decode(tr.Data, tr.Integrity.Have)
				if err != nil {
					t.Fatal(err)
				}
				at := series[0]
				if from, to := at[0], at[len(at)-1]; from > -9.7 || from < -10 || to < 4.7 || to > 5 {
					t.Errorf("from %g to %g s", from, to)
				}
				if i := tr.Trigger.Index; at[i] < 0 || i > 0 && at[i-1] >= 0 {
					t.Errorf("trigger index %d at %g s", i, at[i])
				}
				if tr.Fault.Code == 0 || tr.Channels[1].Role != capture.RoleSpeed {
					t.Errorf("%v %+v", tr.Fault, tr.Channels[1])
				}
				// The machine ran before the trip and slowed down after it.
				if low, _, _ := series[1][tr.Trigger.Index:].Bounds(); low > 0.9*series[1][0] {
					t.Errorf("speed %g before the trip, and not below %g after it", series[1][0], low)
				}
			})
		})
	}
}

func TestLiveValuesThatAreRefusedDontBlind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, drivesim.Spec{Recorder: drivesim.Recorder{Samples: 128}}, drivesim.Behaviour{}, func(r *rig) {
			text := strings.Replace(r.sim.Map(), "live:\n", "live:\n  - {name: wrong, holding: 900}\n", 1)
			r.mapped = parseMap(r.t, text)
		})
		defer r.close()
		r.start()
		r.armed()
		r.sim.Trip(time.Now(), drivesim.Jam)
		r.kept(1)
		if n := len(r.keeper.Seen(sources.SeenTrouble)); n != 1 {
			t.Errorf("told %d times that live values can't be read", n)
		}
	})
}
