package response_test

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"faultkeep/daemon/analysis/response"
	"faultkeep/sources/sourcetest"
	"faultkeep/store/capture"
)

// peerRecord is what the peers' scripts read.
type peerRecord struct {
	DT  float64   `json:"dt"`
	At  int       `json:"at"`
	Set []float64 `json:"set"`
	Act []float64 `json:"act"`
}

// randomSteps are answers of random loops: two swinging modes, an offset, a level.
func randomSteps(n int) (out []peerRecord) {
	dice := rand.New(rand.NewPCG(2, 1880))
	for range n {
		wn, zeta := 20+60*dice.Float64(), .15+.6*dice.Float64()
		slow, share := secondOrder(zeta, wn), .2*dice.Float64()
		fast := secondOrder(.3+.5*dice.Float64(), 4*wn)
		from, size, short := 1000*dice.NormFloat64(), 100*dice.NormFloat64(), dice.NormFloat64()
		dt := .02 / wn * (1 + dice.Float64())
		r := peerRecord{DT: dt, At: 60 + dice.IntN(100)}
		for i := range r.At + int(30/(zeta*wn)/dt) {
			set, act := from, from-short
			if i >= r.At {
				t := float64(i-r.At) * dt
				set, act = from+size, act+size*((1-share)*slow(t)+share*fast(t))
			}
			r.Set, r.Act = append(r.Set, set), append(r.Act, act)
		}
		out = append(out, r)
	}
	return out
}

func lines(t *testing.T, records []peerRecord) []byte {
	t.Helper()
	var b bytes.Buffer
	for _, r := range records {
		if err := json.NewEncoder(&b).Encode(r); err != nil {
			t.Fatal(err)
		}
	}
	return b.Bytes()
}

// compare holds our measures of a record against a peer's.
func compare(t *testing.T, r peerRecord, peer map[string]float64) {
	t.Helper()
	c, series := captureOf(r.DT, r.Set, r.Act)
	f := only(t, response.Find(c, series), capture.FindingStep)
	for name, want := range peer {
		got := value(t, f, name).Value
		scale := math.Abs(want)
		if name == "steady-state error" || name == "ripple RMS" {
			scale = 1
		}
		if !(math.Abs(got-want) <= 1e-6*scale) {
			t.Errorf("%s %.12g, the peer's %.12g", name, got, want)
		}
	}
}

// Rise, settling, peaks, decay, errors: the same by NumPy and SciPy (Debian's
// python3-scipy) to 1e-6.
func TestStepsAgreeWithSciPy(t *testing.T) {
	records := randomSteps(60)
	python := sourcetest.Need(t, "/usr/bin/python3")
	if exec.Command(python, "-c", "import scipy").Run() != nil {
		lacking(t, "python3-scipy")
	}
	cmd := exec.Command(python, "testdata/step_metrics.py")
	cmd.Stdin, cmd.Stderr = bytes.NewReader(lines(t, records)), os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	decoder := json.NewDecoder(bytes.NewReader(out))
	for _, r := range records {
		var peer map[string]float64
		if err := decoder.Decode(&peer); err != nil {
			t.Fatal(err)
		}
		compare(t, r, peer)
	}
}

// The same by Octave.
func TestStepsAgreeWithOctave(t *testing.T) {
	records := randomSteps(20)
	octave := sourcetest.Need(t, "octave-cli")
	file := filepath.Join(t.TempDir(), "records")
	if err := os.WriteFile(file, lines(t, records), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(octave, "--no-gui", "--quiet", "--norc", "testdata/step_metrics.m", file).Output()
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]string{"rise": "rise time", "settle2": "settling time 2 %", "settle5": "settling time 5 %",
		"steady": "steady-state error", "ripple": "ripple RMS", "over": "overshoot"}
	decoder := json.NewDecoder(bytes.NewReader(out))
	for _, r := range records {
		var short map[string]float64
		if err := decoder.Decode(&short); err != nil {
			t.Fatal(err)
		}
		peer := map[string]float64{}
		for k, v := range short {
			peer[names[k]] = v
		}
		compare(t, r, peer)
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
