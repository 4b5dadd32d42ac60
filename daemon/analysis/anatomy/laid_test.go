package anatomy_test

import (
	"math"
	"slices"
	"testing"

	"faultkeep/daemon/analysis/anatomy"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// rightly plays scenarios and compares first mover and onset with the truth, at
// the resolution that onsets are held to. It tells the findings of the last.
func rightly(t *testing.T, cause drivesim.Cause, seeds ...uint64) (found []capture.Finding) {
	t.Helper()
	for _, seed := range seeds {
		c, series, truth := drivesim.Scenario{Seed: seed, Cause: cause}.Play()
		found = anatomy.Find(c, series)
		stands(t, c, found)
		room := math.Max(2*c.Timing.Interval, 0.02*c.Timing.Duration())
		if f := found[0]; len(f.Channels) == 0 || !slices.Contains(truth.First(room), f.Channels[0]) || math.Abs(f.From-truth.Onset) > room {
			t.Errorf("seed %d: %s instead of %.3f s", seed, f.Text, truth.Onset)
		}
	}
	return found
}

// A jam during a move of the setpoint: torque or current is seen first, though
// only what speed and position error do later tells where to look.
func TestTorqueJoinsDuringMove(t *testing.T) {
	rightly(t, drivesim.Jam, 130, 220, 1149, 1150, 1152, 1192, 1214, 1224)
}

// A load that comes while the command moves, in records that show no such move
// before: the torque that the move takes and the one that the load takes are told
// from each other by what both do until the trigger.
func TestSurgeDuringMove(t *testing.T) {
	rightly(t, drivesim.Jam, 3, 11, 129, 131, 147, 169, 232, 245)
	found := rightly(t, drivesim.Runaway, 3000088, 3000132, 3000200, 3000235)
	if i := slices.IndexFunc(found, func(f capture.Finding) bool { return slices.Contains(f.Channels, "torque") }); i < 0 || found[i].Basis == found[len(found)-1].Basis {
		t.Errorf("what the date of the torque rests on isn't told: %+v", found)
	}
}

// What torque and current did before the command asked too much was nothing.
func TestCommandOvertakes(t *testing.T) {
	rightly(t, drivesim.Overreach, 6000029, 6000048, 6000202, 6000211, 6000225, 6000271)
}

// A swing that is told from what drives do by themselves only by its shape, in
// speed and position error at once.
func TestSwellAlone(t *testing.T) {
	found := rightly(t, drivesim.Oscillation, 2000102, 2000174)
	if !slices.ContainsFunc(found, func(f capture.Finding) bool {
		return f.Kind == capture.FindingCause && f.Rank == 1 && f.Name == anatomy.Control
	}) {
		t.Error("a growing swing isn't the first cause")
	}
}

// A heat sink that is warmed by a load which changes all the time, and whose
// cooling fails: what the current's losses do isn't taken for it.
func TestCoolingLostUnderChangingLoad(t *testing.T) {
	rightly(t, drivesim.Overheat, 7000025, 7000076, 7000104, 7000119, 7000164, 7000275)
}
