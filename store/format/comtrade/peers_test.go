package comtrade_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"faultkeep/store/capture"
	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
)

// peer runs testdata/comtrade_peer.py, which was written from the standard and
// shares no code with this package.
func peer(t *testing.T, result any, args ...string) {
	t.Helper()
	const python = "/usr/bin/python3"
	if _, err := os.Stat(python); err != nil {
		if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
			t.Fatal(err)
		}
		t.Skip("no ", python)
	}
	cmd := exec.Command(python, append([]string{"testdata/comtrade_peer.py"}, args...)...)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(out, result); err != nil {
		t.Fatal(err)
	}
}

// like compares with what the peer made of the same numbers: exact fractions,
// rounded once, where a × number + b in floats may be rounded twice.
func like(t *testing.T, name string, got capture.Series, want []*float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s: %d samples, the peer has %d", name, len(got), len(want))
	}
	for i, w := range want {
		if w == nil != math.IsNaN(got[i]) || w != nil && math.Abs(got[i]-*w) > 1e-15*math.Max(math.Abs(*w), 100) {
			t.Fatalf("%s sample %d: %v, the peer has %v", name, i, got[i], w)
		}
	}
}

type recording struct {
	Station string
	Names   []string
	Numbers [][]*float64
	Series  [][]*float64
	Stamps  []float64
	Trigger int64 // nanoseconds since 1970, UTC
	After   float64
	Index   int
}

// Every number that faultkeep writes is what the peer reads, in every edition
// and type.
func TestPeerReadsWhatFaultkeepWrites(t *testing.T) {
	for _, e := range []comtrade.Encoder{{Data: comtrade.ASCII}, {Data: comtrade.Binary}, {Data: comtrade.Binary32}, {Data: comtrade.Float32},
		{Edition: comtrade.Edition1999, Data: comtrade.ASCII}, {Edition: comtrade.Edition1999, Data: comtrade.Binary}} {
		t.Run(fmt.Sprint(e.Edition, e.Data), func(t *testing.T) {
			c, series := storm(500)
			f := encode(t, e, c, series)
			stem := filepath.Join(t.TempDir(), "trip")
			for extension, b := range f {
				if err := os.WriteFile(stem+extension, b.Bytes(), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			var got recording
			peer(t, &got, "read", stem)
			for i := range 3 {
				like(t, got.Names[i], series[i], got.Series[i])
				for k, n := range got.Numbers[i] {
					if own := series[i][k] / c.Encoding.Channels[i].Scale; i < 2 && n != nil && *n != math.Round(own) {
						t.Fatalf("channel %d sample %d: the file holds %v, the drive sent %v", i, k, *n, own)
					}
				}
			}
			for bit := range 3 {
				for k, v := range got.Series[3+bit] {
					if *v != float64(uint64(series[3][k])>>(2*bit)&1) {
						t.Fatalf("bit %d of sample %d: the peer has %v of %v", 2*bit, k, *v, series[3][k])
					}
				}
			}
			for k, s := range got.Stamps {
				if math.Abs(s-c.Timing.Between(0, k)) > 0.5e-6 {
					t.Fatalf("sample %d at %v s, the peer has %v", k, c.Timing.Between(0, k), s)
				}
			}
			if got.Trigger != c.Trigger.Time.UnixNano() || math.Abs(got.After-c.Timing.Between(0, c.Trigger.Index)) > 1e-6 {
				t.Errorf("trigger %d, %g s after the first sample", got.Trigger, got.After)
			}
		})
	}
}

// storm is a capture with holes: two channels of 16 bits, floats, and a word.
func storm(samples int) (capture.Capture, []capture.Series) {
	c := night(samples, speed, torque, capture.Channel{Name: "position error", Unit: "mm"}, capture.Channel{Name: "status", Role: capture.RoleDigital, Bits: []string{"running", "", "fault", "", "brake"}})
	c.Timing.Interval = 1.0 / 3000
	c.Encoding = capture.Encoding{Order: capture.ByChannel, Samples: samples, Channels: []capture.Coding{
		{Type: capture.Int16, Scale: 0.1}, {Type: capture.Int16, Scale: 0.05}, {Type: capture.Int16, Scale: 1, Offset: -5}, {Type: capture.Uint16, Scale: 1}}}
	dice := rand.New(rand.NewPCG(4, uint64(samples)))
	series := make([]capture.Series, 4)
	for i := range series {
		series[i] = make(capture.Series, samples)
		for k := range series[i] {
			n := float64(dice.IntN(65535) - 32767)
			series[i][k] = capture.Scaled(n, c.Encoding.Channels[i].Scale) + c.Encoding.Channels[i].Offset
			if i == 3 {
				series[i][k] = float64(dice.IntN(32) & 0b10101)
			} else if dice.IntN(20) == 0 {
				series[i][k] = nan
			}
		}
	}
	return c, series
}

// Every number that the peer writes is what faultkeep reads.
func TestFaultkeepReadsWhatThePeerWrites(t *testing.T) {
	for _, year := range []string{"1999", "2013"} {
		for _, kind := range []string{"ASCII", "BINARY", "BINARY32", "FLOAT32"} {
			if year == "1999" && kind[len(kind)-1] == '2' {
				continue
			}
			t.Run(year+kind, func(t *testing.T) {
				stem := filepath.Join(t.TempDir(), "fan")
				var want recording
				peer(t, &want, "write", stem, year, kind)
				var files []format.File
				for _, extension := range []string{".cfg", ".dat"} {
					b, err := os.ReadFile(stem + extension)
					if err != nil {
						t.Fatal(err)
					}
					files = append(files, format.File{Name: "fan" + extension, Bytes: b})
				}
				r := strict(t, files)
				if len(r.Series) != len(want.Series) {
					t.Fatalf("%d channels, the peer has %d", len(r.Series), len(want.Series))
				}
				for i, s := range r.Series {
					like(t, r.Channels[i].Name, s, want.Series[i])
				}
				if r.Time.UnixNano() != want.Trigger || r.Trigger != want.Index || r.Timing.Interval != 0.002 || r.Channels[1].Name != want.Names[1] {
					t.Errorf("trigger %v at %d, interval %g, %s", r.Time, r.Trigger, r.Timing.Interval, r.Channels[1].Name)
				}
			})
		}
	}
}
