package response_test

import (
	"slices"
	"testing"

	"faultkeep/daemon/analysis/response"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// Whatever the simulated drives record gets findings that hold to the contract,
// and none of them is about what came after the trip.
func TestSimulatedDrives(t *testing.T) {
	for seed, cause := range append(slices.Clone(drivesim.ScenarioCauses), drivesim.CalmCauses...) {
		c, series, truth := drivesim.Scenario{Seed: uint64(seed), Cause: cause, Samples: 1024}.Play()
		findings := response.Find(c, series)
		check(t, c, findings)
		for _, f := range findings {
			if f.Kind != capture.FindingUnable && f.To > 0 && c.Fault.Code != 0 {
				t.Errorf("%s, %s: %s", truth.Machine.Name, cause, f.Text)
			}
		}
		t.Logf("%s, %s:%s", truth.Machine.Name, cause, texts(findings))
	}
}
