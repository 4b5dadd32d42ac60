package anatomy_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"faultkeep/daemon/analysis/anatomy"
	"faultkeep/store/capture"
)

// A swing of 2 Hz that grows with 2.5 a second begins while the setpoint ramps. It
// comes to a tenth of its last size ln(10)/2.5 s before the end; what is found may be
// one swing off.
func TestSwellDuringMove(t *testing.T) {
	const n, dt, hz, rate, last = 2000, 0.001, 2.0, 2.5, 120.0
	for seed := range uint64(10) {
		rng := rand.New(rand.NewPCG(seed, 3))
		set, v, e := make(capture.Series, n), make(capture.Series, n), make(capture.Series, n)
		for i := range n {
			at := float64(i-n) * dt
			set[i] = 500 + 600*max(0, min(1.2, at+1.3))
			swing := func(phase float64) float64 {
				return last * math.Exp(rate*at) * math.Cos(2*math.Pi*hz*at+phase)
			}
			behind := 0.03 * 600.0
			if at < -1.3 || at > -0.1 {
				behind = 0
			}
			v[i] = set[i] - behind + swing(0) + rng.NormFloat64()
			e[i] = 0.1*behind + 0.2*swing(-math.Pi/2) + 0.2*rng.NormFloat64()
		}
		c := of(n, []capture.Role{capture.RoleSetpoint, capture.RoleSpeed, capture.RolePositionError}, set, v, e)
		c.Channels[0].Unit, c.Channels[1].Unit = "rpm", "rpm"
		found := anatomy.Find(c, []capture.Series{set, v, e})
		stands(t, c, found)
		for _, f := range found {
			if f.Kind == capture.FindingFirstMover && math.Abs(f.From+math.Ln10/rate) > 0.5/hz {
				t.Errorf("seed %d: %s", seed, f.Text)
			}
			if f.Kind == capture.FindingCause && f.Rank == 1 && f.Name != anatomy.Control {
				t.Errorf("seed %d: %s", seed, f.Text)
			}
		}
	}
}
