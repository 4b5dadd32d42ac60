package anatomy_test

import (
	"math"
	"slices"
	"testing"

	"faultkeep/daemon/analysis/anatomy"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// A jam during a move of the setpoint: torque or current is seen first, though
// only what speed and position error do later tells where to look.
func TestTorqueJoinsDuringMove(t *testing.T) {
	for _, seed := range []uint64{130, 220, 1149, 1150, 1152, 1192, 1214, 1224} {
		c, series, truth := drivesim.Scenario{Seed: seed, Cause: drivesim.Jam}.Play()
		f := anatomy.Find(c, series)
		stands(t, c, f)
		room := math.Max(2*c.Timing.Interval, 0.02*c.Timing.Duration())
		if len(f[0].Channels) == 0 || !slices.Contains(truth.First(room), f[0].Channels[0]) || math.Abs(f[0].From-truth.Onset) > room {
			t.Errorf("seed %d: %s instead of %.3f s", seed, f[0].Text, truth.Onset)
		}
	}
}

// A single channel of the mechanics that drifts by itself moved nothing.
func TestAloneMovesNothing(t *testing.T) {
	for _, seed := range []uint64{9_000_043, 9_000_065, 9_000_086, 9_000_105, 9_000_122, 9_000_173, 9_000_243, 9_000_267, 9_000_285} {
		c, series, _ := drivesim.Scenario{Seed: seed, Cause: drivesim.HandTriggered}.Play()
		f := anatomy.Find(c, series)
		if stands(t, c, f); f[0].Kind != capture.FindingFirstMover || f[0].Name != "none" {
			t.Errorf("seed %d: %s", seed, f[0].Text)
		}
	}
}
