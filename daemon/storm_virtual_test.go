package daemon_test

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/demo"
	"faultkeep/sources/drivesim"
	"faultkeep/store/storetest"
)

var virtualRounds = flag.Int("storm.virtual", 40, "storms in virtual time, against the real store")

// TestStormInVirtualTime is TestStorm without waiting: several drives, one
// each or behind one gateway that a pull makes slow; the real watch, store and
// outbox; and, beside what the drives and their lines do, restarts of the
// daemon, a disk whose writes fail, a disk that is full for a while, and a
// wall clock that jumps.
func TestStormInVirtualTime(t *testing.T) {
	var sum demo.Verdict
	if testing.Short() {
		*virtualRounds = min(*virtualRounds, 8)
	}
	for i := range *virtualRounds {
		seed := *stormSeed + uint64(i)
		t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { add(&sum, virtualStorm(t, seed)) })
		})
	}
	t.Logf("rounds: %d, recordings %d, winnable %d, kept %d, partial %d, misses %d, mixed %d, untold %d",
		*virtualRounds, sum.Recordings, sum.Winnable, sum.Kept, sum.Partial, sum.Misses, sum.Mixed, sum.Untold)
	if *virtualRounds >= 20 && (sum.Winnable == 0 || sum.Partial == 0 || sum.Misses == 0) {
		t.Error("the storms were too calm to prove anything")
	}
}

// climate is what a virtual storm is made of.
type climate struct {
	specs                                     []drivesim.Spec
	calm                                      drivesim.Behaviour
	gateway                                   bool
	poll                                      time.Duration
	restarts, outages, failing, full, jumping bool
}

func climateOf(dice *rand.Rand) climate {
	between := func(a, b time.Duration) time.Duration { return a + time.Duration(dice.Int64N(int64(b-a)+1)) }
	maybe := func(p float64) bool { return dice.Float64() < p }
	c := climate{gateway: maybe(0.5), poll: between(50*time.Millisecond, 250*time.Millisecond),
		calm:     drivesim.Behaviour{Latency: between(0, 3*time.Millisecond), Jitter: between(0, time.Millisecond)},
		restarts: maybe(0.3), outages: maybe(0.3), failing: maybe(0.3), full: maybe(0.3), jumping: maybe(0.2)}
	for i := range 2 + dice.IntN(3) {
		face := []drivesim.Face{drivesim.Block, drivesim.Window, drivesim.Files}[dice.IntN(3)]
		spec := drivesim.Spec{Name: fmt.Sprintf("drive-%d", i+1), Face: face, Seed: dice.Uint64(), Pattern: true,
			Recorder: drivesim.Recorder{Samples: 64 << dice.IntN(5), Interval: between(200*time.Microsecond, 2*time.Millisecond),
				PreTrigger: 0.3 + 0.6*dice.Float64(), SelfArm: maybe(0.4), Overwrite: maybe(0.3), Process: between(0, 200*time.Millisecond)},
			Plan: drivesim.Plan{ResetMin: between(50*time.Millisecond, time.Second), ResetMax: between(time.Second, 8*time.Second)}}
		if maybe(0.3) {
			spec.Plan.CutChance, spec.Plan.CutFor = 0.3, between(500*time.Millisecond, 8*time.Second)
		}
		gap := float64(between(4*time.Second, 20*time.Second))
		for at := time.Second; at < 90*time.Second; at += time.Duration(gap * dice.ExpFloat64()) {
			spec.Plan.At = append(spec.Plan.At, at)
		}
		c.specs = append(c.specs, spec)
	}
	return c
}

func virtualStorm(t *testing.T, seed uint64) (sum demo.Verdict) {
	dice := rand.New(rand.NewPCG(seed, 11))
	c := climateOf(dice)
	v := newVirtual(t, c.specs, c.gateway, c.poll, c.calm, newDeafSink(rand.New(rand.NewPCG(seed, 12)), 0.3*dice.Float64()))
	defer v.close()
	begin := v.clock.now()
	v.start()
	var stalls []demo.Period
	for end := time.Now().Add(90 * time.Second); time.Now().Before(end); {
		time.Sleep(time.Duration(500+dice.IntN(12000)) * time.Millisecond)
		from := time.Now()
		if after, stalled := v.strike(c, dice); stalled {
			stalls = append(stalls, demo.Period{From: from.Add(-time.Second), To: time.Now().Add(after)})
		}
	}
	time.Sleep(30 * time.Second)
	for _, sim := range v.sims {
		sim.Rest(time.Now())
		sim.Reset(time.Now())
	}
	v.sink.listen()
	time.Sleep(6 * time.Minute) // the longest wait between two attempts to tell is five
	v.stop()
	return v.judge(c, stalls, begin)
}

// strike lets one thing happen, if the climate has it; stalled says that no
// recording could be kept meanwhile and for a time after.
func (v *virtual) strike(c climate, dice *rand.Rand) (after time.Duration, stalled bool) {
	sleep := func(most int) { time.Sleep(time.Duration(100+dice.IntN(most)) * time.Millisecond) }
	const reconnect, silence, retry = 1500 * time.Millisecond, 13 * time.Second, 7 * time.Second
	switch what := dice.IntN(5); {
	case what == 0 && c.restarts:
		v.stop()
		sleep(5000)
		v.start()
		return reconnect, true
	case what == 1 && c.outages:
		s := v.servers[dice.IntN(len(v.servers))]
		s.Set(drivesim.Behaviour{BlackHole: true})
		sleep(8000)
		s.Set(v.calm)
		if dice.IntN(2) == 0 {
			s.Drop()
		}
		if c.gateway {
			return silence, true // all units are left alone for a while, each at its own time
		}
		return reconnect, true
	case what == 2 && c.failing:
		storetest.FailWrites(v.t, v.path)
		return retry, true
	case what == 3 && c.full:
		lift := storetest.LimitFileSize(v.t, v.room())
		sleep(20000)
		lift()
		return retry, true
	case what == 4 && c.jumping:
		v.clock.jump(time.Duration(dice.Int64N(int64(4*time.Hour))) - 2*time.Hour)
	}
	return 0, false
}

func (v *virtual) judge(c climate, stalls []demo.Period, begin time.Time) (sum demo.Verdict) {
	v.t.Helper()
	a, err := archive.Open(context.Background(), filepath.Dir(v.path))
	if err != nil {
		v.t.Fatal(err)
	}
	defer a.Close()
	quiet := len(stalls) == 0
	for i, d := range v.drives {
		e := v.evidence(i, a)
		e.Stalls = stalls
		e.Need = d.Now().Race.Need()
		if e.Need <= 0 {
			e.Need = time.Minute // never pulled: how long that takes isn't known
		}
		if c.gateway {
			e.Need *= time.Duration(len(v.drives))
		}
		r := demo.Judge(e)
		for _, lost := range r.Lost {
			v.t.Error(lost)
		}
		if r.Mixed > 0 || !c.jumping && r.Untold > 0 || quiet && !c.jumping && r.Unfounded > 0 {
			for _, fault := range r.Faults {
				v.t.Error(fault)
			}
		}
		if c.jumping {
			r.Untold = 0 // by its time, which jumped
		}
		add(&sum, r)
	}
	v.addsUp(a, begin, begin.Add(2*time.Minute))
	v.whole(a)
	if v.t.Failed() {
		v.t.Logf("%+v", c)
		for _, s := range stalls {
			v.t.Logf("stalled %s–%s", s.From.Format("04:05.000"), s.To.Format("04:05.000"))
		}
		if os.Getenv("FAULTKEEP_LOG") != "" {
			v.dump(a)
		}
	}
	return sum
}
