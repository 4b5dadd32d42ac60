package anatomy_test

import (
	"flag"
	"fmt"
	"math"
	"slices"
	"testing"

	"faultkeep/daemon/analysis/anatomy"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

var scoreSeed = flag.Uint64("score.seed", 1, "first seed of the scoreboard")
var scoreV = flag.Bool("score.v", false, "")
var scoreN = flag.Int("score.n", 30, "")

func TestProto(t *testing.T) {
	for _, cause := range append(drivesim.ScenarioCauses, drivesim.CalmCauses...) {
		n, first, strict, onset := 0, 0, 0, 0
		for k := range uint64(*scoreN) {
			seed := *scoreSeed + k
			c, series, truth := drivesim.Scenario{Seed: seed, Cause: cause}.Play()
			f := anatomy.Find(c, series)
			n++
			d := c.Timing.Interval
			dur := c.Timing.Duration()
			name, at := "", math.NaN()
			var all string
			for _, x := range f {
				if x.Kind == capture.FindingOnset {
					if name == "" {
						name, at = x.Channels[0], x.From
					}
					all += fmt.Sprintf(" %s %.4f", x.Channels[0], x.From)
				}
			}
			ok := true
			if truth.Calm {
				ok = name == ""
				if ok {
					first++
					onset++
				}
			} else {
				if slices.Contains(truth.First(2*d), name) {
					strict++
				} else {
					ok = false
				}
				if slices.Contains(truth.First(math.Max(2*d, 0.01)), name) {
					first++
				}
				if math.Abs(at-truth.Onset) <= math.Max(2*d, 0.02*dur)+1e-9 {
					onset++
				} else {
					ok = false
				}
			}
			if !ok && *scoreV {
				t.Logf("%d %s %s %s %v ×%d moving %v: acts %.4f movers %v\n   found %s", seed, cause, truth.Machine.Name, truth.Noise, truth.Interval, truth.Samples, truth.Moving, truth.Acts, truth.Movers, all)
			}
		}
		t.Logf("%-24s n %d strict %d first %d onset %d", cause, n, strict, first, onset)
	}
}
