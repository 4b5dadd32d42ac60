package modbus_test

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/sources"
	"faultkeep/sources/drivesim"
	"faultkeep/sources/modbus"
	"faultkeep/store/capture"
)

var faces = []drivesim.Face{drivesim.Block, drivesim.Window, drivesim.Files}

func TestKeepsEveryFaceBitForBit(t *testing.T) {
	for _, face := range faces {
		t.Run(string(face), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, drivesim.Spec{Face: face, Recorder: drivesim.Recorder{Samples: 512}},
					drivesim.Behaviour{Latency: 2 * time.Millisecond})
				defer r.close()
				r.start()
				r.armed()
				r.sim.Trip(time.Now(), drivesim.Jam)
				c := r.kept(1)[0]
				truth := r.truth(c)
				if !c.Integrity.Whole || c.Integrity.Why != "" {
					t.Fatalf("kept with %+v", c.Integrity)
				}
				if c.Fault.Code != uint32(truth.FaultCode) || c.Fault.Name == "" {
					t.Errorf("fault %+v, the drive tripped with %04X", c.Fault, truth.FaultCode)
				}
				if c.Trigger.Index != truth.Index || c.Timing.Interval != truth.Interval.Seconds() {
					t.Errorf("trigger %d interval %g, truth %d %v", c.Trigger.Index, c.Timing.Interval, truth.Index, truth.Interval)
				}
				if truth.Triggered.Before(c.Trigger.Earliest) || truth.Triggered.After(c.Trigger.Latest) {
					t.Errorf("triggered at %v, outside %v…%v", truth.Triggered, c.Trigger.Earliest, c.Trigger.Latest)
				}
				if u := c.Trigger.Uncertainty(); u > 200*time.Millisecond {
					t.Errorf("the trigger time is ±%v uncertain with polls every 100 ms", u)
				}
				samples(t, c.Capture, c.Data, truth)
				r.eventually("armed again", 30*time.Second, func() bool { return r.sim.State(time.Now()) == capture.Armed })
				if n := len(r.keeper.Kept()); n != 1 {
					t.Errorf("%d captures of one recording", n)
				}
				if m := r.misses(); len(m) > 0 {
					t.Errorf("missed: %v", m)
				}
			})
		})
	}
}

// samples holds decoded samples against the simulation's own numbers; half a
// count of the channel's scale is the most that rounding takes.
func samples(t *testing.T, c capture.Capture, data []byte, truth drivesim.Truth) {
	t.Helper()
	series, err := c.Encoding.Decode(data, c.Integrity.Have)
	if err != nil {
		t.Fatal(err)
	}
	for ch := range series {
		half := c.Encoding.Channels[ch].Scale * 0.5000001
		for i, v := range series[ch] {
			if d := v - truth.Samples[ch][i]; d > half || d < -half {
				t.Fatalf("%s sample %d is %g, was %g", c.Channels[ch].Name, i, v, truth.Samples[ch][i])
			}
		}
	}
}

// big is a recording that takes a while to pull: 263 requests of 4 ms.
func big(face drivesim.Face) drivesim.Spec {
	return drivesim.Spec{Face: face, Pattern: true, Recorder: drivesim.Recorder{Samples: 4096, Interval: 100 * time.Microsecond}}
}

func slowly(face drivesim.Face) drivesim.Behaviour {
	if face == drivesim.Window {
		return drivesim.Behaviour{Latency: time.Millisecond}
	}
	return drivesim.Behaviour{Latency: 4 * time.Millisecond}
}

// tripAndWait trips the drive and returns when a share of the recording came across.
func (r *rig) tripAndWait(share float64) {
	r.t.Helper()
	r.sim.Trip(time.Now(), drivesim.Jam)
	r.eventually("pulling", time.Minute, func() bool {
		p := r.keeper.Seen(sources.SeenPulling)
		return len(p) > 0 && float64(p[len(p)-1].Done) >= share*float64(p[len(p)-1].Size)
	})
}

func TestResetInMidPullKeepsTheTrigger(t *testing.T) {
	for _, face := range faces {
		t.Run(string(face), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, big(face), slowly(face))
				defer r.close()
				r.start()
				r.armed()
				r.tripAndWait(0.5)
				r.sim.Reset(time.Now())
				c := r.kept(1)[0]
				r.truth(c)
				from, to, ok := c.Span()
				if c.Integrity.Whole || !ok || from >= 0 || to <= 0 {
					t.Fatalf("kept %v…%v (%v), %+v", from, to, ok, c.Integrity)
				}
				if !strings.HasPrefix(c.Integrity.Why, "Reset ") {
					t.Errorf("why: %q", c.Integrity.Why)
				}
				if m := r.misses(); len(m) > 0 {
					t.Errorf("a partial capture was told as a miss too: %+v", m)
				}
			})
		})
	}
}

func TestReplacedInMidPullNeverMixes(t *testing.T) {
	for _, face := range faces {
		t.Run(string(face), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				spec := big(face)
				spec.Recorder.Overwrite = true
				r := newRig(t, spec, slowly(face))
				defer r.close()
				r.start()
				r.armed()
				r.tripAndWait(0.5)
				r.sim.Replace(time.Now())
				kept := r.kept(2)
				first, second := r.truth(kept[0]), r.truth(kept[1])
				if kept[0].Integrity.Whole || !kept[1].Integrity.Whole || first.Counter == second.Counter {
					t.Errorf("kept %+v of %d and %+v of %d", kept[0].Integrity, first.Counter, kept[1].Integrity, second.Counter)
				}
			})
		})
	}
}

func TestLinkLostInMidPullGoesOn(t *testing.T) {
	for _, face := range faces {
		t.Run(string(face), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, big(face), slowly(face))
				defer r.close()
				r.start()
				r.armed()
				r.tripAndWait(0.5)
				r.server.Set(drivesim.Behaviour{BlackHole: true})
				time.Sleep(20 * time.Second)
				before := r.server.Counts().Requests
				r.server.Set(slowly(face))
				r.server.Drop()
				c := r.kept(1)[0]
				r.truth(c)
				if !c.Integrity.Whole || c.Provenance.Resumed != 1 {
					t.Fatalf("%+v, resumed %d times", c.Integrity, c.Provenance.Resumed)
				}
				t.Logf("%d requests to go on", r.server.Counts().Requests-before)
				if b := r.keeper.Seen(sources.SeenBlind); len(b) == 0 {
					t.Error("20 s without an answer are no blind spell")
				}
			})
		})
	}
}

func TestStoppedInMidPullResumes(t *testing.T) {
	for _, face := range faces {
		t.Run(string(face), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, big(face), slowly(face))
				defer r.close()
				r.start()
				r.armed()
				var mu sync.Mutex
				var reads []drivesim.Request
				b := slowly(face)
				b.Misbehave = func(q drivesim.Request) drivesim.Action {
					mu.Lock()
					defer mu.Unlock()
					reads = append(reads, q)
					return drivesim.Action{}
				}
				r.server.Set(b)
				r.tripAndWait(0.7)
				r.stop()
				time.Sleep(5 * time.Second)
				r.start()
				c := r.kept(1)[0]
				r.truth(c)
				if !c.Integrity.Whole || c.Provenance.Resumed != 1 {
					t.Fatalf("%+v, resumed %d times", c.Integrity, c.Provenance.Resumed)
				}
				mu.Lock()
				defer mu.Unlock()
				seen, twice := map[drivesim.Request]bool{}, 0
				for _, q := range reads {
					if data := q.Function == 20 || q.Count > 60; !data || face == drivesim.Window {
						continue // the window reads every page at the same place
					}
					q.Time, q.Number, q.Connection = time.Time{}, 0, 0
					if seen[q] {
						twice++
					}
					seen[q] = true
				}
				if twice > 2 { // the one that was under way, and the one that proves the draft
					t.Errorf("%d pieces were read twice", twice)
				}
			})
		})
	}
}

func TestErasedWhileStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, big(drivesim.Block), slowly(drivesim.Block))
		defer r.close()
		r.start()
		r.armed()
		r.tripAndWait(0.7)
		r.stop()
		r.sim.Reset(time.Now())
		time.Sleep(5 * time.Second)
		r.start()
		c := r.kept(1)[0]
		r.truth(c)
		if c.Integrity.Whole || !strings.Contains(c.Integrity.Why, "not running") {
			t.Errorf("%+v", c.Integrity)
		}
		if r.keeper.Opened() != 0 {
			t.Error("a draft stays open")
		}
	})
}

func TestKeptAlreadyIsNotPulledAgain(t *testing.T) {
	for name, spec := range map[string]drivesim.Spec{
		"counter":     {Recorder: drivesim.Recorder{Samples: 512}},
		"no identity": {Recorder: drivesim.Recorder{Samples: 512, NoCounter: true, NoTime: true, Checksum: drivesim.NoChecksum}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, spec, drivesim.Behaviour{Latency: time.Millisecond}, func(r *rig) { r.config.Allow = nil })
				defer r.close()
				r.sim.Arm(time.Now())
				r.start()
				r.armed()
				r.sim.Trip(time.Now(), drivesim.Jam)
				r.kept(1)
				time.Sleep(5 * time.Second)
				r.stop()
				r.start()
				time.Sleep(5 * time.Second)
				if n := len(r.keeper.Kept()); n != 1 {
					t.Errorf("%d captures", n)
				}
				if w := r.sim.Writes(); len(w) > 0 {
					t.Errorf("wrote without being allowed: %v", w)
				}
				// The same drive, another recording.
				r.stop()
				r.sim.Reset(time.Now())
				r.sim.Arm(time.Now())
				time.Sleep(time.Second)
				r.sim.Trip(time.Now(), drivesim.MainsDip)
				time.Sleep(5 * time.Second)
				r.start()
				kept := r.kept(2)
				if a, b := r.truth(kept[0]), r.truth(kept[1]); a.Number == b.Number {
					t.Error("the second recording was not kept")
				}
			})
		})
	}
}

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

func TestBusyDriveIsAskedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		odds := drivesim.Odds{Busy: 0.1, Acknowledge: 0.05}
		r := newRig(t, drivesim.Spec{Recorder: drivesim.Recorder{Samples: 2048}},
			drivesim.Behaviour{Latency: time.Millisecond, Misbehave: drivesim.Random(1, odds)})
		defer r.close()
		r.start()
		r.armed()
		r.sim.Trip(time.Now(), drivesim.Jam)
		c := r.kept(1)[0]
		if r.truth(c); !c.Integrity.Whole {
			t.Errorf("%+v", c.Integrity)
		}
	})
}

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

func TestFourConnections(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		took := map[int]time.Duration{}
		for _, n := range []int{1, 4} {
			r := newRig(t, big(drivesim.Block), slowly(drivesim.Block), func(r *rig) { r.config.Connections = n })
			r.start()
			r.armed()
			r.sim.Trip(time.Now(), drivesim.Jam)
			c := r.kept(1)[0]
			if r.truth(c); !c.Integrity.Whole {
				t.Errorf("%+v", c.Integrity)
			}
			k := r.keeper.Seen(sources.SeenKept)[0]
			took[n] = k.Time.Sub(c.Provenance.Opened)
			r.close()
		}
		if ratio := float64(took[1]) / float64(took[4]); ratio < 3.3 {
			t.Errorf("four connections are %.2f times as fast as one", ratio)
		}
	})
}

func TestStoreThatFailsLosesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, drivesim.Spec{Recorder: drivesim.Recorder{Samples: 512}}, drivesim.Behaviour{Latency: time.Millisecond})
		defer r.close()
		var broken atomic.Bool
		broken.Store(true)
		r.keeper.Fail = func(op string) error {
			if broken.Load() && op != "observe" {
				return fmt.Errorf("no space left")
			}
			return nil
		}
		r.start()
		r.armed()
		r.sim.Trip(time.Now(), drivesim.Jam)
		time.Sleep(10 * time.Second)
		if len(r.keeper.Kept()) > 0 {
			t.Fatal("kept by a store that fails")
		}
		if r.sim.State(time.Now()) != capture.Ready {
			t.Fatal("the recording was released before it was kept")
		}
		broken.Store(false)
		c := r.kept(1)[0]
		if r.truth(c); !c.Integrity.Whole {
			t.Errorf("%+v", c.Integrity)
		}
	})
}

func TestStoreSetAsideInMidPullLosesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, big(drivesim.Block), slowly(drivesim.Block))
		defer r.close()
		r.start()
		r.armed()
		r.tripAndWait(0.8)
		r.keeper.Lose()
		c := r.kept(1)[0]
		if r.truth(c); !c.Integrity.Whole {
			t.Errorf("%+v", c.Integrity)
		}
	})
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
