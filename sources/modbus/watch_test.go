package modbus_test

import (
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/drivesim"
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
				if m := r.keeper.Seen(sources.SeenMiss); len(m) > 0 {
					t.Errorf("a trip that was kept counts as missed: %+v", m)
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
		time.Sleep(time.Second)
		for _, b := range r.keeper.Seen(sources.SeenBlind) {
			if b.Cause == capture.CauseUnreachable {
				t.Errorf("the drive is told to be unreachable: %+v", b)
			}
		}
		if b := r.keeper.Seen(sources.SeenBlind); len(b) == 0 || b[0].Cause != capture.CauseStoring {
			t.Errorf("blind spells: %+v", b)
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
