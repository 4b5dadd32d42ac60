package anatomy_test

import (
	"strings"
	"testing"

	"faultkeep/daemon/analysis/anatomy"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// A single channel of the mechanics that drifts by itself moved nothing.
func TestAloneMovesNothing(t *testing.T) {
	for _, seed := range []uint64{9_000_043, 9_000_065, 9_000_086, 9_000_105, 9_000_122, 9_000_173, 9_000_243, 9_000_267, 9_000_285} {
		c, series, _ := drivesim.Scenario{Seed: seed, Cause: drivesim.HandTriggered}.Play()
		f := anatomy.Find(c, series)
		if stands(t, c, f); f[0].Kind != capture.FindingFirstMover || f[0].Name != "none" {
			t.Errorf("seed %d: %s", seed, f[0].Text)
		}
		if left := kinds(f, capture.FindingUnable); len(left) != 1 || !strings.Contains(left[0], "but alone of the channels in which a load shows") {
			t.Errorf("seed %d: that one drifted isn't told: %q", seed, left)
		}
	}
}
