package modbus_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/sources"
	"faultkeep/sources/drivesim"
	"faultkeep/sources/sourcetest"
)

var (
	stormRounds = flag.Int("storm.rounds", 60, "storms to run in virtual time")
	stormSeed   = flag.Uint64("storm.seed", 1, "seed of the first storm")
)

// TestStorm runs random schedules of trips, resets, power cuts, link trouble
// and restarts against the simulated drives and holds the watch to its
// promises:
//
//  1. a winnable recording is kept whole, exactly once;
//  2. no capture has bytes of two recordings;
//  3. every other trip is a partial capture or a miss, also one that nobody
//     could see: the drives count their faults;
//  4. a miss is told only of a trip that left nothing;
//  5. nothing is written that isn't allowed, and nothing unkept is erased by arming.
func TestStorm(t *testing.T) {
	var sum tally
	for i := range *stormRounds {
		seed := *stormSeed + uint64(i)
		var got tally
		t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { got = storm(t, seed) })
		})
		sum.add(got)
	}
	t.Logf("%d rounds: %+v", *stormRounds, sum)
	if sum.Recordings == 0 || sum.Winnable == 0 || sum.Partial == 0 || sum.Misses == 0 {
		t.Error("the storms were too calm to prove anything")
	}
}

type tally struct{ Recordings, Winnable, Kept, Partial, Misses, Mixed, Untold int }

func (t *tally) add(o tally) {
	t.Recordings += o.Recordings
	t.Winnable += o.Winnable
	t.Kept += o.Kept
	t.Partial += o.Partial
	t.Misses += o.Misses
	t.Mixed += o.Mixed
	t.Untold += o.Untold
}

// weather is what a storm is made of.
type weather struct {
	spec     drivesim.Spec
	calm     drivesim.Behaviour
	rough    drivesim.Odds
	restarts bool
	outages  bool
}

func forecast(r *rand.Rand) weather {
	between := func(a, b time.Duration) time.Duration { return a + time.Duration(r.Int64N(int64(b-a)+1)) }
	maybe := func(p float64) bool { return r.Float64() < p }
	face := faces[r.IntN(len(faces))]
	w := weather{
		spec: drivesim.Spec{Face: face, Seed: r.Uint64(), Pattern: true,
			Recorder: drivesim.Recorder{Samples: 64 << r.IntN(6), Interval: between(200*time.Microsecond, 2*time.Millisecond),
				PreTrigger: 0.3 + 0.6*r.Float64(), SelfArm: maybe(0.4), Overwrite: maybe(0.3), VolatileCounter: maybe(0.2), BareHeader: maybe(0.4),
				ArmTakes: between(0, 300*time.Millisecond), Process: between(0, 200*time.Millisecond)},
			Plan: drivesim.Plan{ResetMin: between(50*time.Millisecond, time.Second), ResetMax: between(time.Second, 6*time.Second)}},
		calm: drivesim.Behaviour{Latency: between(0, 4*time.Millisecond)},
	}
	gap := float64(between(3*time.Second, 15*time.Second))
	for at := time.Second; at < 2*time.Minute; at += time.Duration(gap * r.ExpFloat64()) {
		w.spec.Plan.At = append(w.spec.Plan.At, at)
	}
	if maybe(0.3) {
		w.spec.Plan.CutChance, w.spec.Plan.CutFor = 0.3, between(500*time.Millisecond, 8*time.Second)
	}
	if maybe(0.15) {
		w.spec.Recorder.NoCounter, w.spec.Recorder.NoTime = true, true
	}
	if maybe(0.3) {
		w.rough = drivesim.Odds{Busy: 0.01, Acknowledge: 0.005, Silent: 0.003, Close: 0.005, Cut: 0.003,
			WrongID: 0.003, Short: 0.003, Garbage: 0.002, Twice: 0.003, ReadsOnly: maybe(0.5)}
	}
	w.restarts, w.outages = maybe(0.25), maybe(0.25)
	return w
}

func (w weather) clean() bool { return w.rough == drivesim.Odds{} && !w.restarts && !w.outages }

func storm(t *testing.T, seed uint64) tally {
	dice := rand.New(rand.NewPCG(seed, 7))
	w := forecast(dice)
	b := w.calm
	if (w.rough != drivesim.Odds{}) {
		b.Misbehave = drivesim.Random(seed, w.rough)
	}
	poll := time.Duration(50+dice.IntN(200)) * time.Millisecond
	r := newRig(t, w.spec, b, func(r *rig) {
		r.config.Poll = strict.Duration(poll)
		r.config.Connections = 1 + dice.IntN(3)
	})
	defer r.close()
	r.start()
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); {
		time.Sleep(time.Duration(1+dice.IntN(15)) * time.Second)
		switch {
		case w.outages && dice.IntN(3) == 0:
			r.server.Set(drivesim.Behaviour{BlackHole: true})
			time.Sleep(time.Duration(100+dice.IntN(8000)) * time.Millisecond)
			r.server.Set(b)
			if dice.IntN(2) == 0 {
				r.server.Drop()
			}
		case w.restarts && dice.IntN(3) == 0:
			r.stop()
			time.Sleep(time.Duration(dice.IntN(5000)) * time.Millisecond)
			r.start()
		}
	}
	// Let what is under way end: no further trips, then a reset.
	time.Sleep(40 * time.Second)
	r.sim.Reset(time.Now())
	time.Sleep(20 * time.Second)
	return r.judge(w, poll)
}

// judge holds what was kept and told against the truth.
func (r *rig) judge(w weather, poll time.Duration) (sum tally) {
	kept := r.keeper.Kept()
	byNumber := map[int][]sourcetest.Kept{}
	for _, c := range kept {
		var of []drivesim.Truth
		for _, truth := range r.sim.Truth(time.Now()) {
			if len(truth.Data) == len(c.Data) && fits(c, truth.Data) {
				of = append(of, truth)
			}
		}
		if len(of) != 1 {
			sum.Mixed++
			r.t.Errorf("capture %s has bytes of %d recordings: %+v", c.ID, len(of), c.Integrity)
			continue
		}
		byNumber[of[0].Number] = append(byNumber[of[0].Number], c)
	}
	need := r.drive.Now().Race.Need()
	misses := r.misses()
	sum.Misses = len(misses)
	told := map[int]bool{}    // misses accounted for
	var lost []drivesim.Truth // incidents without a miss of their own moment
	for _, truth := range r.sim.Truth(time.Now()) {
		captures := byNumber[truth.Number]
		whole, partial := 0, 0
		for _, c := range captures {
			if c.Integrity.Whole {
				whole++
			} else {
				partial++
			}
		}
		if !truth.Ready.IsZero() {
			sum.Recordings++
		}
		sum.Kept += min(1, whole)
		sum.Partial += partial
		name := fmt.Sprintf("incident %d (%s, tripped %s, ready %s, erased %s %s)", truth.Number, truth.Missing,
			clock(truth.Tripped), clock(truth.Ready), clock(truth.Erased), truth.ErasedBy)
		stood := truth.Readable(time.Now()) >= need || truth.ErasedBy == drivesim.ByArming
		winnable := w.clean() && need > 0 && !truth.Ready.IsZero() && stood
		if winnable {
			sum.Winnable++
			if whole == 0 {
				r.t.Errorf("%s stood %v, %v are needed, and was lost; captures %+v", name, truth.Readable(time.Now()), need, ids(captures))
			}
		}
		if whole > 1 || w.clean() && whole+partial > 1 {
			r.t.Errorf("%s was kept %d times: %v", name, whole+partial, ids(captures))
		}
		if truth.ErasedBy == drivesim.ByArming && whole == 0 {
			r.t.Errorf("%s was erased by arming before it was kept", name)
		}
		if len(captures) == 0 && !truth.Tripped.IsZero() && !claim(misses, told, truth, 2*time.Second) {
			lost = append(lost, truth)
		}
	}
	for _, truth := range lost {
		if !claim(misses, told, truth, 25*time.Second) {
			sum.Untold++
			r.t.Errorf("incident %d left no capture and no miss", truth.Number)
		}
	}
	for i, m := range misses {
		if !told[i] && w.clean() {
			r.t.Errorf("a miss of nothing: %s %s %s %s", clock(m.Time), m.Fault, m.Cause, m.Text)
		}
	}
	if n := r.keeper.Opened(); n > 0 {
		r.t.Errorf("%d drafts stay open", n)
	}
	if r.t.Failed() {
		r.t.Logf("%+v rough %+v latency %v poll %v connections %d need %v", w.spec.Recorder, w.rough, w.calm.Latency, poll,
			r.config.Connections, need)
		for _, truth := range r.sim.Truth(time.Now()) {
			r.t.Logf("truth %d %04X tripped %s reset %s ready %s erased %s %s %s", truth.Number, truth.FaultCode, clock(truth.Tripped),
				clock(truth.Reset), clock(truth.Ready), clock(truth.Erased), truth.ErasedBy, truth.Missing)
		}
		r.dump()
	}
	return sum
}

// claim finds the miss that tells of an incident: the nearest one not spoken
// for, at most so far from it in time.
func claim(misses []sources.Observation, told map[int]bool, truth drivesim.Truth, far time.Duration) bool {
	best := -1
	for i, m := range misses {
		if late := m.Time.Sub(truth.Tripped).Abs(); !told[i] && late < far {
			best, far = i, late
		}
	}
	if best >= 0 {
		told[best] = true
	}
	return best >= 0
}

func ids(kept []sourcetest.Kept) (out []string) {
	for _, c := range kept {
		out = append(out, fmt.Sprintf("%s whole=%v %s", c.ID, c.Integrity.Whole, c.Integrity.Why))
	}
	return out
}

func clock(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	return t.Format("04:05.000")
}
