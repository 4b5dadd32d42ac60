package response_test

import (
	"testing"
	"time"

	"faultkeep/daemon/analysis/response"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// simulated is what a simulated drive recorded of a trip.
func simulated(t testing.TB, m drivesim.Machine, cause drivesim.Cause, seed uint64, samples int) (capture.Capture, []capture.Series) {
	t.Helper()
	start := time.Date(2025, 11, 24, 18, 0, 0, 0, time.UTC)
	d := drivesim.New(drivesim.Spec{Name: "x", Machine: m, Seed: seed, Recorder: drivesim.Recorder{Samples: samples, Interval: 2 * time.Millisecond}}, start)
	if !d.Trip(start.Add(20*time.Second), cause) {
		t.Skip("no trip")
	}
	truth := d.Truth(start.Add(2 * time.Minute))[0]
	c := capture.Capture{Fault: capture.Fault{Code: uint32(truth.FaultCode)}, Trigger: capture.Trigger{Index: truth.Index},
		Timing: capture.Timing{Samples: samples, Interval: truth.Interval.Seconds()}}
	var series []capture.Series
	for i, role := range drivesim.Signals {
		c.Channels = append(c.Channels, capture.Channel{Name: string(role), Role: role})
		series = append(series, truth.Samples[i])
	}
	return c, series
}

// Whatever the simulated drives record gets findings that hold to the contract,
// and none of them is about what came after the trip.
func TestSimulatedDrives(t *testing.T) {
	for _, m := range []drivesim.Machine{drivesim.Elevator(), drivesim.Belt(), drivesim.Slew(), drivesim.Fan()} {
		for _, cause := range drivesim.Causes {
			for seed := range uint64(1) {
				c, series := simulated(t, m, cause, seed, 4096)
				findings := response.Find(c, series)
				check(t, c, findings)
				for _, f := range findings {
					if f.Kind != capture.FindingUnable && f.To > 0 {
						t.Errorf("%s, %s: %s", m.Name, cause, f.Text)
					}
				}
				t.Logf("%s, %s, %d:%s", m.Name, cause, seed, texts(findings))
			}
		}
	}
}
