package anatomy_test

import (
	"flag"
	"math"
	"slices"
	"testing"

	"faultkeep/daemon/analysis/anatomy"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

var (
	scoreSeed = flag.Uint64("score.seed", 1, "first seed of the scoreboard")
	scoreEach = flag.Int("score.each", 30, "scenarios of each cause")
)

var causes = map[drivesim.Cause]string{
	drivesim.Jam: anatomy.Load, drivesim.Runaway: anatomy.Load, drivesim.MainsDip: anatomy.Supply,
	drivesim.Oscillation: anatomy.Control, drivesim.EncoderLoss: anatomy.Feedback, drivesim.PhaseLoss: anatomy.Phase,
	drivesim.Overreach: anatomy.Command, drivesim.Overheat: anatomy.Thermal,
}

// tally counts what was right.
type tally struct{ n, strict, first, onset, cause, silent int }

func (t *tally) add(o tally) {
	t.n, t.strict, t.first = t.n+o.n, t.strict+o.strict, t.first+o.first
	t.onset, t.cause, t.silent = t.onset+o.onset, t.cause+o.cause, t.silent+o.silent
}

// judge compares findings with the truth. strict: the first mover by two
// samples; first: by the resolution that onsets are held to.
func judge(c capture.Capture, findings []capture.Finding, truth drivesim.ScenarioTruth) (t tally) {
	t.n = 1
	room := math.Max(2*c.Timing.Interval, 0.02*c.Timing.Duration())
	name, at, cause := "", math.NaN(), ""
	for _, f := range findings {
		if f.Kind == capture.FindingFirstMover && f.Name != "none" {
			name, at = f.Channels[0], f.From
		}
		if f.Kind == capture.FindingCause && f.Rank == 1 {
			cause = f.Name
		}
	}
	count := func(n *int, ok bool) {
		if ok {
			*n++
		}
	}
	count(&t.silent, name == "")
	if !truth.Calm {
		count(&t.strict, slices.Contains(truth.First(2*c.Timing.Interval), name))
		count(&t.first, slices.Contains(truth.First(room), name))
		count(&t.onset, math.Abs(at-truth.Onset) <= room+1e-9)
		count(&t.cause, cause == causes[truth.Cause])
	}
	return t
}

// The scoreboard against the simulated drives' truth. The floors are what is
// reached so far, less some scatter; the aims are 95 % first mover, 90 % onset,
// 85 % cause, at most 5 % false first movers.
func TestScoreboard(t *testing.T) {
	var upset, calm tally
	t.Logf("%-24s %4s %7s %6s %6s %6s", "cause", "n", "±2 smp", "first", "onset", "cause")
	for _, cause := range append(slices.Clone(drivesim.ScenarioCauses), drivesim.CalmCauses...) {
		var sum tally
		for k := range uint64(*scoreEach) {
			c, series, truth := drivesim.Scenario{Seed: *scoreSeed + k, Cause: cause}.Play()
			sum.add(judge(c, anatomy.Find(c, series), truth))
		}
		if slices.Contains(drivesim.CalmCauses, cause) {
			calm.add(sum)
			t.Logf("%-24s %4d %d without a first mover", cause, sum.n, sum.silent)
			continue
		}
		upset.add(sum)
		t.Logf("%-24s %4d %7d %6d %6d %6d", cause, sum.n, sum.strict, sum.first, sum.onset, sum.cause)
	}
	share := func(n, of int) float64 { return 100 * float64(n) / float64(max(of, 1)) }
	first, onset, right := share(upset.first, upset.n), share(upset.onset, upset.n), share(upset.cause, upset.n)
	false1 := 100 - share(calm.silent, calm.n)
	t.Logf("first mover %.1f %% (%.1f %% within two samples), onset %.1f %%, cause %.1f %%, false first movers %.1f %%",
		first, share(upset.strict, upset.n), onset, right, false1)
	if *scoreEach >= 30 && (first < floorFirst || onset < floorOnset || right < floorCause || false1 > mostFalse) {
		t.Errorf("below the floors of %v, %v, %v and %v %%", floorFirst, floorOnset, floorCause, mostFalse)
	}
}

const floorFirst, floorOnset, floorCause, mostFalse = 80.0, 68.0, 66.0, 20.0
