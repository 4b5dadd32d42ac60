package vibration

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"

	"faultkeep/daemon/analysis/spectrum"
	"faultkeep/sources/sourcetest"
	"faultkeep/store/capture"
)

// Frequencies and growth rates of random oscillations are those that SciPy
// gives, to 1e-6. The blocks are clear of the noise, and weights are nearly
// even there; the fit without weights is compared.
func TestGrowthAgreesWithSciPy(t *testing.T) {
	python := sourcetest.Need(t, "/usr/bin/python3")
	if exec.Command(python, "-c", "import scipy").Run() != nil {
		if os.Getenv(sourcetest.RequirePeers) != "" {
			t.Fatal("python3-scipy isn't installed")
		}
		t.Skip("python3-scipy isn't installed")
	}
	type job struct {
		X                 []float64 `json:"x"`
		DT                float64   `json:"dt"`
		Hz                float64   `json:"hz"`
		Length, Hop, Size int
	}
	dice := rand.New(rand.NewPCG(31, 4))
	var jobs []job
	var in bytes.Buffer
	for range 30 {
		n, dt, rate := 2000+dice.IntN(6000), .0005+.002*dice.Float64(), dice.NormFloat64()*.2
		hz := (.02 + .2*dice.Float64()) / dt
		j := job{X: make([]float64, n), DT: dt}
		for i := range j.X {
			time := float64(i) * dt
			j.X[i] = 40 + math.Exp(rate*time)*math.Sin(2*math.Pi*hz*time) + .01*dice.NormFloat64()
		}
		s := &signal{x: j.X, dt: dt, most: 42, channel: capture.Channel{Name: "x"}}
		tones := plans{}.tonesOf(s, j.X, 1/dt, .01)
		if len(tones) == 0 {
			t.Fatal("no tone")
		}
		j.Hz, j.Size = tones[0].peak.Frequency, spectrum.SizeFor(n)
		j.Length, j.Hop = blocksOf(s, j.Hz)
		jobs = append(jobs, j)
		json.NewEncoder(&in).Encode(map[string]any{"x": j.X, "dt": j.DT, "hz": j.Hz, "length": j.Length, "hop": j.Hop, "size": j.Size})
	}
	cmd := exec.Command(python, "testdata/growth.py")
	cmd.Stdin, cmd.Stderr = &in, os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	decoder := json.NewDecoder(bytes.NewReader(out))
	for _, j := range jobs {
		var peer struct{ Rate, Stderr, Hz float64 }
		if err := decoder.Decode(&peer); err != nil {
			t.Fatal(err)
		}
		if math.Abs(peer.Hz-j.Hz) > 1e-6*j.Hz {
			t.Errorf("frequency %.12g, the peer's %.12g", j.Hz, peer.Hz)
		}
		s := &signal{x: j.X, dt: j.DT}
		times, amplitudes := blockAmplitudes(s, j.Hz)
		logs, even := make([]float64, len(times)), make([]float64, len(times))
		for i, a := range amplitudes {
			logs[i], even[i] = math.Log(a), 1
		}
		rate, _, se := line(times, logs, even)
		if math.Abs(rate-peer.Rate) > 1e-6*math.Abs(peer.Rate) || math.Abs(se-peer.Stderr) > 1e-6*peer.Stderr {
			t.Errorf("rate %.12g ±%.12g, the peer's %.12g ±%.12g", rate, se, peer.Rate, peer.Stderr)
		}
		// What is told, weights and all, is the peer's within its own resolution.
		if c, ok := follow(s, j.Hz, 1e-7); !ok || math.Abs(c.rate-peer.Rate) > c.pm+1e-3*math.Abs(peer.Rate) {
			t.Errorf("told %g ±%g, the peer's %g", c.rate, c.pm, peer.Rate)
		}
	}
}
