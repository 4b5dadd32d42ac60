package likeness_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"faultkeep/daemon/analysis/likeness"
	"faultkeep/store/capture"
)

var (
	rises = []float64{80, 60, 0, 0}
	falls = []float64{-80, -60, 0, 0}
	warms = []float64{0, 0, 0, 90}
)

// known is the capture of a day in November, of fault 2311.
func known(day int, family string, sizes []float64) likeness.Known {
	m := made{n: 1000, dt: 0.001, seed: uint64(day), onset: -0.1, sizes: sizes}
	return likeness.Known{ID: capture.ID(fmt.Sprintf("day%02d", day)), DriveType: "x", Fault: capture.Fault{Code: 0x2311, Shown: "2311"},
		Time: start.AddDate(0, 0, day-3), Family: family, Print: likeness.Of(m.capture())}
}

// told are families as "name: members".
func told(families []likeness.Family) (out []string) {
	for _, f := range families {
		out = append(out, fmt.Sprint(f.Name, ": ", f.Members))
	}
	return out
}

func TestNamesStay(t *testing.T) {
	for name, c := range map[string]struct {
		known []likeness.Known
		want  []string
	}{
		"letters go by the first member": {
			[]likeness.Known{known(9, "", falls), known(5, "", rises), known(6, "", falls), known(8, "", rises), known(7, "", warms)},
			[]string{"2311-A: [day05 day08]", "2311-B: [day06 day09]"}},
		"an older capture found later changes no name": {
			[]likeness.Known{known(6, "2311-A", rises), known(8, "2311-A", rises), known(4, "", falls), known(5, "", falls), known(3, "", rises)},
			[]string{"2311-A: [day03 day06 day08]", "2311-B: [day04 day05]"}},
		"where two merge, the elder name stays": {
			[]likeness.Known{known(4, "2311-B", rises), known(5, "2311-B", rises), known(6, "2311-A", rises)},
			[]string{"2311-A: [day04 day05 day06]"}},
		"where one falls apart, most of its bearers keep it": {
			[]likeness.Known{known(4, "2311-A", falls), known(5, "2311-A", rises), known(6, "2311-A", rises), known(7, "2311-A", rises), known(8, "", falls)},
			[]string{"2311-B: [day04 day08]", "2311-A: [day05 day06 day07]"}},
		"letters of one that is gone aren't given again": {
			[]likeness.Known{known(4, "2311-Z", falls), known(5, "", rises), known(6, "", rises)},
			[]string{"2311-AA: [day05 day06]"}},
	} {
		if d := cmp.Diff(c.want, told(likeness.Families(c.known))); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}

// Adding captures never changes the name of a family that stays together.
func TestAddingKeepsNames(t *testing.T) {
	days := rand.New(rand.NewPCG(1, 2)).Perm(24)
	var all []likeness.Known
	names := map[capture.ID]string{}
	for _, day := range days {
		all = append(all, known(day+1, "", [][]float64{rises, falls, warms}[day%3]))
		for _, f := range likeness.Families(all) {
			for _, id := range f.Members {
				if names[id] != "" && names[id] != f.Name {
					t.Fatalf("%s was of %s and is of %s", id, names[id], f.Name)
				}
				names[id] = f.Name
			}
		}
		for i := range all {
			all[i].Family = names[all[i].ID]
		}
	}
	if f := likeness.Families(all); len(f) != 3 {
		t.Errorf("%v", told(f))
	}
}

// Families are of one drive type and one fault code.
func TestFamiliesAreOfOneFault(t *testing.T) {
	a, b, c := known(4, "", rises), known(5, "", rises), known(6, "", rises)
	b.DriveType = "y"
	c.Fault = capture.Fault{Code: 8}
	if f := likeness.Families([]likeness.Known{a, b, c}); len(f) != 0 {
		t.Errorf("%v", told(f))
	}
	d := known(7, "", rises)
	d.Fault = capture.Fault{Code: 8}
	f := likeness.Families([]likeness.Known{a, b, c, d})
	if len(f) != 1 || f[0].Name != "8-A" || f[0].Likeness < 0.9 || !f[0].First.Equal(c.Time) || !f[0].Last.Equal(d.Time) {
		t.Errorf("%+v", f)
	}
}

// The typical member is the one most like the others.
func TestTypicalMember(t *testing.T) {
	odd := known(6, "", []float64{80, 0, 0, 0})
	f := likeness.Families([]likeness.Known{odd, known(7, "", rises), known(8, "", []float64{70, 60, 0, 0}), known(9, "", []float64{80, 60, 60, 0})})
	if len(f) != 1 || f[0].Typical != "day07" && f[0].Typical != "day08" {
		t.Errorf("%+v", f)
	}
}

func TestPlaceInWords(t *testing.T) {
	among := []likeness.Known{known(3, "2311-A", rises), known(8, "2311-A", rises), known(9, "", falls)}
	for name, c := range map[string]struct {
		known  likeness.Known
		among  []likeness.Known
		family string
		with   capture.ID
		text   string
	}{
		"one of a family": {known(20, "", rises), among, "2311-A", "", "Seen 3 times since 3 November 2026, family 2311-A; most alike: day0"},
		"with one alone":  {known(21, "", falls), among, "2311-B", "day09", "Seen 2 times since 9 November 2026, family 2311-B; most alike: day09 of 9 November 2026 01:00 (likeness "},
		"unlike":          {known(22, "", warms), among, "", "", "Unlike any other of 3 captures of fault 2311 on drives of this type; the nearest is day0"},
		"the first":       {known(23, "", warms), nil, "", "", "The first capture of fault 2311 on drives of this type: there is nothing to compare it with."},
		"itself known":    {known(23, "", warms), []likeness.Known{known(23, "", warms)}, "", "", "The first capture"},
		"no picture":      {likeness.Known{Print: likeness.Print{Why: "there are no samples"}}, among, "", "", "Likeness: there are no samples, so it can't be compared with others."},
	} {
		p := likeness.Place(c.known, c.among)
		f := p.Finding(time.FixedZone("CET", 3600))
		if p.Family != c.family || p.With != c.with || !strings.HasPrefix(f.Text, c.text) {
			t.Errorf("%s: family %q with %q: %s", name, p.Family, p.With, f.Text)
		}
	}
}

// linkage agrees with joining the nearest two each time, which is the
// definition of average linkage (Sokal and Michener 1958).
func TestLinkageByDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 30).Draw(t, "n")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3))
		like := make([][]float64, n)
		for i := range like {
			like[i] = make([]float64, n)
			for j := range i {
				like[i][j] = rng.Float64()
				like[j][i] = like[i][j]
			}
		}
		got := likeness.Linkage(n, 0.5, func(i, j int) float64 { return like[i][j] })
		for _, s := range got {
			slices.Sort(s)
		}
		slices.SortFunc(got, func(a, b []int) int { return a[0] - b[0] })
		if d := cmp.Diff(joined(like, 0.5), got); d != "" {
			t.Fatal(d)
		}
	})
}

func joined(like [][]float64, least float64) (sets [][]int) {
	for i := range like {
		sets = append(sets, []int{i})
	}
	for {
		a, b, best := -1, -1, least
		for i := range sets {
			for j := range i {
				sum := 0.0
				for _, x := range sets[i] {
					for _, y := range sets[j] {
						sum += like[x][y]
					}
				}
				if mean := sum / float64(len(sets[i])*len(sets[j])); mean >= best {
					a, b, best = j, i, mean
				}
			}
		}
		if a < 0 {
			break
		}
		sets[a] = append(sets[a], sets[b]...)
		sets = slices.Delete(sets, b, b+1)
	}
	for _, s := range sets {
		slices.Sort(s)
	}
	slices.SortFunc(sets, func(a, b []int) int { return a[0] - b[0] })
	return sets
}

// The first four are the examples of scikit-learn's documentation of
// adjusted_rand_score (1.0, 0.57, 0.0 and -0.5), the second as a fraction by
// hand. The last is the table that Yeung and Ruzzo work through (Details of the
// adjusted Rand index and clustering algorithms, 2001): 0.313, value from memory.
func TestAdjustedRand(t *testing.T) {
	for _, c := range []struct {
		a, b []int
		want float64
	}{
		{[]int{0, 0, 1, 1}, []int{1, 1, 0, 0}, 1},
		{[]int{0, 0, 1, 2}, []int{0, 0, 1, 1}, 0.5714},
		{[]int{0, 0, 0, 0}, []int{0, 1, 2, 3}, 0},
		{[]int{0, 0, 1, 1}, []int{0, 1, 0, 1}, -0.5},
		{[]int{0, 0, 1, 1, 1, 1, 2, 2, 2, 2}, []int{0, 1, 0, 1, 1, 2, 2, 2, 2, 2}, 0.313},
	} {
		if got := adjustedRand(c.a, c.b); math.Abs(got-c.want) > 0.0005 {
			t.Errorf("%v, %v: %v, want %v", c.a, c.b, got, c.want)
		}
	}
}
