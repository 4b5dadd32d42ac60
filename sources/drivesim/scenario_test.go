package drivesim_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// The same scenario gives the same recording, whatever was played before, and
// another seed another one.
func TestScenarioIsDeterministic(t *testing.T) {
	for seed := range uint64(6) {
		c1, s1, t1 := drivesim.Scenario{Seed: seed}.Play()
		drivesim.Scenario{Seed: seed + 100, Cause: drivesim.MainsDip}.Play()
		c2, s2, t2 := drivesim.Scenario{Seed: seed}.Play()
		if d := cmp.Diff(c1, c2) + cmp.Diff(t1, t2, cmpopts.EquateEmpty()); d != "" {
			t.Errorf("seed %d: %s", seed, d)
		}
		same := func(a, b []capture.Series) bool {
			return slices.EqualFunc(a, b, func(x, y capture.Series) bool { return slices.Equal(x, y) })
		}
		if !same(s1, s2) {
			t.Errorf("seed %d: other samples", seed)
		}
		if _, other, _ := (drivesim.Scenario{Seed: seed + 1}).Play(); same(s1, other) {
			t.Errorf("seeds %d and %d give the same recording", seed, seed+1)
		}
	}
}

// What the cause works on moves first: by the equations of the model, a cause
// in the supply reaches the DC link before anything else can follow, a load
// acts on speed and on the torque that holds it, and so on.
func TestScenariosMoveWhatTheirCauseWorksOn(t *testing.T) {
	electrical := []capture.Role{capture.RoleTorque, capture.RoleCurrent}
	mechanical := append([]capture.Role{capture.RoleSpeed, capture.RolePositionError}, electrical...)
	link := append([]capture.Role{capture.RoleDCLink}, electrical...) // missing voltage is missing torque at once
	first := map[drivesim.Cause][]capture.Role{
		drivesim.Jam: mechanical, drivesim.Runaway: mechanical, drivesim.Oscillation: mechanical,
		drivesim.MainsDip: {capture.RoleDCLink}, drivesim.PhaseLoss: link,
		drivesim.EncoderLoss: {capture.RoleSpeed}, drivesim.Overreach: {capture.RoleSetpoint},
		drivesim.Overheat: {capture.RoleTemperature},
	}
	for _, cause := range drivesim.ScenarioCauses {
		for seed := range uint64(4) {
			c, series, truth := drivesim.Scenario{Seed: seed, Cause: cause}.Play()
			if truth.Calm || len(truth.Movers) == 0 || !slices.Contains(first[cause], truth.Movers[0].Role) {
				t.Errorf("%s, seed %d: %v moved first", cause, seed, truth.Movers)
				continue
			}
			if truth.Onset < truth.Acts-1e-9 || truth.Onset >= 0 || truth.Onset < c.At(0) {
				t.Errorf("%s, seed %d: acts at %v, moves at %v s", cause, seed, truth.Acts, truth.Onset)
			}
			if got := truth.First(0); !slices.Contains(got, truth.Movers[0].Channel) || len(truth.First(1e9)) != len(truth.Movers) {
				t.Errorf("%s, seed %d: first %v", cause, seed, got)
			}
			faulted(t, c, series)
		}
	}
}

// faulted checks the record's shape, and that the fault bit rises at the trigger.
func faulted(t *testing.T, c capture.Capture, series []capture.Series) {
	t.Helper()
	bits, at := series[len(series)-1], c.Trigger.Index
	if int(bits[at])&2 == 0 || int(bits[at-1])&2 != 0 || c.Fault.Code == 0 {
		t.Errorf("fault %x, bits %v → %v at the trigger", c.Fault.Code, bits[at-1], bits[at])
	}
	for i, s := range series {
		if len(s) != c.Timing.Samples || math.IsNaN(s[0]) {
			t.Errorf("%s: %d samples, first %v", c.Channels[i].Name, len(s), s[0])
		}
	}
}

// Without an anomaly nothing is said to have moved; an ordered stop trips, a
// trigger by hand doesn't.
func TestCalmScenarios(t *testing.T) {
	for _, cause := range drivesim.CalmCauses {
		for seed := range uint64(4) {
			c, series, truth := drivesim.Scenario{Seed: seed, Cause: cause}.Play()
			if !truth.Calm || len(truth.Movers) != 0 {
				t.Errorf("%s, seed %d: %v moved", cause, seed, truth.Movers)
			}
			if cause == drivesim.StopOrdered {
				faulted(t, c, series)
			} else if c.Fault.Code != 0 {
				t.Errorf("seed %d: triggered by hand with fault %x", seed, c.Fault.Code)
			}
		}
	}
}

// Fields that are set are kept; drawn ones cover the levels of noise, the
// intervals and setpoints that move.
func TestScenarioDraws(t *testing.T) {
	set := drivesim.Scenario{Seed: 3, Cause: drivesim.Jam, Machine: drivesim.Belt(), Noise: drivesim.Loud,
		Interval: 3 * time.Millisecond, Samples: 700}
	c, _, truth := set.Play()
	if d := cmp.Diff(set, truth.Scenario); d != "" {
		t.Error(d)
	}
	if c.Timing.Samples != 700 || c.Timing.Interval != 0.003 || c.Title != "belt conveyor" {
		t.Errorf("%+v of %s", c.Timing, c.Title)
	}
	noises, intervals, moving := map[drivesim.Noise]int{}, map[time.Duration]int{}, 0
	const n = 48
	for seed := range uint64(n) {
		_, _, truth := drivesim.Scenario{Seed: seed}.Play()
		noises[truth.Noise]++
		intervals[truth.Interval]++
		if truth.Moving {
			moving++
		}
	}
	if len(noises) != 3 || len(intervals) != 4 || moving < n/4 || moving > n*9/10 {
		t.Errorf("noises %v, intervals %v, %d moving of %d", noises, intervals, moving, n)
	}
}
