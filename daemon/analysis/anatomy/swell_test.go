package anatomy_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"faultkeep/daemon/analysis/anatomy"
	"faultkeep/store/capture"
)

// swelling is a drive that swings about its setpoint with so many Hz, ever wider by
// rate a second, while the setpoint ramps.
func swelling(seed uint64, hz, rate, phase float64) (capture.Capture, []capture.Series) {
	const n, dt, last = 2000, 0.001, 120.0
	rng := rand.New(rand.NewPCG(seed, 3))
	set, v, e := make(capture.Series, n), make(capture.Series, n), make(capture.Series, n)
	for i := range n {
		at := float64(i-n) * dt
		set[i] = 500 + 600*max(0, min(1.2, at+1.3))
		swing := func(by float64) float64 {
			return last * math.Exp(rate*at) * math.Cos(2*math.Pi*hz*at+by)
		}
		behind := 0.03 * 600.0
		if at < -1.3 || at > -0.1 {
			behind = 0
		}
		v[i] = set[i] - behind + swing(phase) + rng.NormFloat64()
		e[i] = 0.1*behind + 0.2*swing(phase-math.Pi/2) + 0.2*rng.NormFloat64()
	}
	c := of(n, []capture.Role{capture.RoleSetpoint, capture.RoleSpeed, capture.RolePositionError}, set, v, e)
	c.Channels[0].Unit, c.Channels[1].Unit = "rpm", "rpm"
	return c, []capture.Series{set, v, e}
}

// A swing of 2 Hz that grows with 2.5 a second begins while the setpoint ramps. It
// comes to a tenth of its last size ln(10)/2.5 s before the end; what is found may be
// one swing off.
func TestSwellDuringMove(t *testing.T) {
	const hz, rate = 2.0, 2.5
	for seed := range uint64(10) {
		c, series := swelling(seed, hz, rate, 0)
		found := anatomy.Find(c, series)
		stands(t, c, found)
		for _, f := range found {
			if f.Kind == capture.FindingFirstMover && math.Abs(f.From+math.Ln10/rate) > 0.5/hz {
				t.Errorf("seed %d: %s", seed, f.Text)
			}
			if f.Kind == capture.FindingFirstMover && !strings.Contains(f.Basis, "exponential swing is laid through speed and position error") {
				t.Errorf("seed %d: rests on %q", seed, f.Basis)
			}
			if f.Kind == capture.FindingCause && f.Rank == 1 && f.Name != anatomy.Control {
				t.Errorf("seed %d: %s", seed, f.Text)
			}
		}
	}
}

// Where each swing is more than four times the one before, none is taken for a
// part of a row that widens; that the fitted swing grows is the evidence then: by
// e^(rate/2 Hz) from one to the next.
func TestSwellIsEvidence(t *testing.T) {
	const hz, grow = 2.0, 4.3
	for seed := range uint64(5) {
		c, series := swelling(seed, hz, 2*hz*math.Log(grow), 1)
		at := slices.IndexFunc(anatomy.Find(c, series), func(f capture.Finding) bool {
			return f.Kind == capture.FindingCause && f.Name == anatomy.Control && slices.ContainsFunc(f.For, func(e string) bool {
				return strings.HasPrefix(e, "It swings with 2.0 Hz, and each swing is 4.")
			})
		})
		if at < 0 {
			t.Errorf("seed %d: no growing swing for a cause", seed)
		}
	}
}
