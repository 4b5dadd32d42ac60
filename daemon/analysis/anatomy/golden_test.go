package anatomy_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/analysis/anatomy"
	"faultkeep/sources/drivesim"
)

var update = flag.Bool("update", false, "write the golden texts anew")

// What a technician reads of one recording of each cause. The texts are ours,
// read over and kept; what they say is judged by the scoreboard.
func TestGoldenTexts(t *testing.T) {
	for _, cause := range append(drivesim.ScenarioCauses, drivesim.CalmCauses...) {
		name := strings.ReplaceAll(string(cause), " ", "-")
		t.Run(name, func(t *testing.T) {
			m := drivesim.Elevator()
			if cause == drivesim.Overheat {
				m.ThermalTime = 8 // s: a sensor right at the power module, which trips within the record
			}
			c, series, _ := drivesim.Scenario{Seed: 1, Cause: cause, Machine: m, Noise: drivesim.Normal,
				Interval: time.Millisecond, Samples: 2048}.Play()
			var b strings.Builder
			for _, f := range anatomy.Find(c, series) {
				b.WriteString(f.Text + "\n")
				for _, e := range f.For {
					b.WriteString("  for: " + e + "\n")
				}
				for _, e := range f.Against {
					b.WriteString("  against: " + e + "\n")
				}
			}
			path := filepath.Join("testdata", name+".txt")
			if *update {
				if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil || string(want) != b.String() {
				t.Errorf("%v; got\n%s", err, b.String())
			}
		})
	}
}
