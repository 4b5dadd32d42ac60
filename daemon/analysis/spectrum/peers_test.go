package spectrum_test

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"faultkeep/daemon/analysis/spectrum"
	"faultkeep/sources/sourcetest"
)

// job is what the peers' scripts read.
type job struct {
	X      []float64       `json:"x"`
	Rate   float64         `json:"rate"`
	Size   int             `json:"size"`
	Hop    int             `json:"hop"`
	Window spectrum.Window `json:"window"`
}

// jobs are random signals: noise, tones, an offset, a trend; sizes odd and even.
func jobs(n int, windows []spectrum.Window) (out []job, lines []byte) {
	dice := rand.New(rand.NewPCG(19, 67))
	var b bytes.Buffer
	for i := range n {
		j := job{Rate: math.Pow(10, 4*dice.Float64()), Size: 2 + dice.IntN(700), Window: windows[i%len(windows)]}
		j.Hop = 1 + dice.IntN(j.Size)
		offset, trend, hz := 1000*dice.NormFloat64(), dice.NormFloat64(), j.Rate/2*dice.Float64()
		for k := range j.Size + dice.IntN(5000) {
			j.X = append(j.X, offset+trend*float64(k)/100+10*math.Sin(2*math.Pi*hz*float64(k)/j.Rate)+dice.NormFloat64())
		}
		out = append(out, j)
		json.NewEncoder(&b).Encode(j)
	}
	return out, b.Bytes()
}

// same compares line by line to a millionth of the line, or of a trillionth of
// the highest: what rounding leaves of lines that are nothing.
func same(t *testing.T, what string, got, want []float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%s: %d lines, the peer's %d", what, len(got), len(want))
		return
	}
	most := 0.0
	for _, v := range want {
		most = math.Max(most, v)
	}
	for k := range want {
		if !(math.Abs(got[k]-want[k]) <= 1e-6*want[k]+1e-12*most) {
			t.Errorf("%s, line %d of %d: %.12g, the peer's %.12g", what, k, len(want), got[k], want[k])
			return
		}
	}
}

// Densities, frequencies and amplitudes are those of scipy.signal.welch.
func TestWelchAgreesWithSciPy(t *testing.T) {
	all, lines := jobs(30, spectrum.Windows)
	python := sourcetest.Need(t, "/usr/bin/python3")
	if exec.Command(python, "-c", "import scipy").Run() != nil {
		lacking(t, "python3-scipy")
	}
	cmd := exec.Command(python, "testdata/welch.py")
	cmd.Stdin, cmd.Stderr = bytes.NewReader(lines), os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	decoder := json.NewDecoder(bytes.NewReader(out))
	for _, j := range all {
		var peer struct{ F, Density, Amplitude []float64 }
		if err := decoder.Decode(&peer); err != nil {
			t.Fatal(err)
		}
		s := welch(t, j.X, j.Rate, spectrum.Options{Size: j.Size, Hop: j.Hop, Window: j.Window})
		var f, amplitude []float64
		for k := range s.Density {
			f, amplitude = append(f, s.Frequency(k)), append(amplitude, s.Amplitude(k))
		}
		same(t, "frequencies", f, peer.F)
		same(t, "density", s.Density, peer.Density)
		same(t, "amplitudes", amplitude, peer.Amplitude)
	}
}

// Densities are those that Octave's fft and the windows of its signal package give.
func TestWelchAgreesWithOctave(t *testing.T) {
	windows := []spectrum.Window{spectrum.Hann, spectrum.Rectangular, spectrum.Hamming, spectrum.Blackman}
	all, lines := jobs(20, windows)
	octave := sourcetest.Need(t, "octave-cli")
	if out, err := exec.Command(octave, "--no-gui", "--norc", "--eval", "pkg load signal; disp(numel(hann(5)))").CombinedOutput(); err != nil || !bytes.HasPrefix(bytes.TrimSpace(out), []byte("5")) {
		lacking(t, "octave-signal")
	}
	file := filepath.Join(t.TempDir(), "jobs")
	if err := os.WriteFile(file, lines, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(octave, "--no-gui", "--quiet", "--norc", "testdata/welch.m", file).Output()
	if err != nil {
		t.Fatal(err)
	}
	decoder := json.NewDecoder(bytes.NewReader(out))
	for _, j := range all {
		var peer struct{ Density []float64 }
		if err := decoder.Decode(&peer); err != nil {
			t.Fatal(err)
		}
		same(t, "density", welch(t, j.X, j.Rate, spectrum.Options{Size: j.Size, Hop: j.Hop, Window: j.Window}).Density, peer.Density)
	}
}

// lacking skips the test, or fails it where peers are required.
func lacking(t *testing.T, what string) {
	t.Helper()
	if os.Getenv(sourcetest.RequirePeers) != "" {
		t.Fatalf("%s isn't installed", what)
	}
	t.Skipf("%s isn't installed", what)
}
