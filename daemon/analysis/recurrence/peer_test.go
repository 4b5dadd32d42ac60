package recurrence_test

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"testing"

	"faultkeep/daemon/analysis/recurrence"
	"faultkeep/sources/sourcetest"
)

// peerCase is one question to SciPy.
type peerCase struct {
	N      int       `json:"n"`
	Level  float64   `json:"level"`
	Days   float64   `json:"days"`
	Times  []float64 `json:"times"`
	End    float64   `json:"end"`
	K      int       `json:"k"`
	Of     int       `json:"of"`
	P      float64   `json:"p"`
	Angles []float64 `json:"angles"`
}

func drawCase(rng *rand.Rand) peerCase {
	c := peerCase{N: rng.IntN(400), Level: 0.5 + 0.49*rng.Float64(), Days: 1 + 1000*rng.Float64(), End: math.Exp(rng.Float64()*10 - 2),
		Of: 1 + rng.IntN(300), P: 0.001 + 0.998*rng.Float64()}
	c.K = 1 + rng.IntN(c.Of)
	shape := 0.3 + 2*rng.Float64()
	for range 2 + rng.IntN(60) {
		c.Times = append(c.Times, c.End*math.Pow(rng.Float64(), 1/shape))
	}
	slices.Sort(c.Times)
	for range 2 + rng.IntN(30) {
		c.Angles = append(c.Angles, 1+3*rng.Float64())
	}
	return c
}

// SciPy recomputes every statistic of random cases to 1e-6.
func TestStatisticsAgainstScipy(t *testing.T) {
	const python = "/usr/bin/python3" // Debian's, which sees Debian's python3-scipy
	sourcetest.Need(t, python)
	if exec.Command(python, "-c", "import scipy").Run() != nil {
		if os.Getenv(sourcetest.RequirePeers) != "" {
			t.Fatal("python3-scipy isn't installed")
		}
		t.Skip("python3-scipy isn't installed")
	}
	rng := rand.New(rand.NewPCG(2, 7))
	cases := make([]peerCase, 100)
	for i := range cases {
		cases[i] = drawCase(rng)
	}
	question, err := json.Marshal(cases)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "testdata/scipy_statistics.py")
	cmd.Stdin = bytes.NewReader(question)
	cmd.Stderr = os.Stderr
	answer, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var want []map[string]float64
	if err := json.Unmarshal(answer, &want); err != nil || len(want) != len(cases) {
		t.Fatal(err, len(want))
	}
	for i, c := range cases {
		got := ours(c)
		if len(got) != len(want[i]) {
			t.Fatalf("%d against %d statistics", len(got), len(want[i]))
		}
		for name, w := range want[i] {
			if g := got[name]; !(math.Abs(g-w) <= 1e-6*max(1, math.Abs(w))) && !(math.Abs(g-w) <= 1e-6*math.Abs(w)) {
				t.Errorf("case %d, %s: %v, SciPy says %v (%+v)", i, name, g, w, c)
			}
		}
	}
}

// ours are the same statistics by the package.
func ours(c peerCase) map[string]float64 {
	low, high := recurrence.PoissonBounds(c.N, c.Level)
	rate, _ := recurrence.RateOf(c.N, c.Days)
	trend, _ := recurrence.Laplace(c.Times, c.End)
	law, _ := recurrence.FitPowerLaw(c.Times, c.End)
	direction, mean, _ := recurrence.Rayleigh(c.Angles)
	ratioLow, ratioHigh := recurrence.RatioBounds(c.K, c.Of, c.Level)
	return map[string]float64{
		"low": low, "high": high, "rate": rate.PerDay,
		"u": trend.U, "trend": trend.P,
		"shape": law.Shape, "shape_low": law.ShapeLow, "shape_high": law.ShapeHigh, "misfit": law.Misfit,
		"at_most": recurrence.BinomialAtMost(c.K, c.Of, c.P), "at_least": recurrence.BinomialAtLeast(c.K, c.Of, c.P),
		"ratio_low": ratioLow, "ratio_high": ratioHigh,
		"direction": direction, "mean": mean,
	}
}
