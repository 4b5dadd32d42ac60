package likeness

import (
	"cmp"
	"slices"

	"faultkeep/store/capture"
)

const (
	// kindred is the mean likeness from which on families of several fault codes, in
	// which the same cause stands out, belong together. Set by trying on simulated
	// drives; common practice, no source.
	kindred = 0.55
	// mostSets families and lone captures are compared, the largest, …
	mostSets = 250
	// … by so many members of each, evenly over time.
	mostOfEach = 6
)

// Kin is a family, or a capture that is in none, of another fault code.
type Kin struct {
	Family  string // empty: none
	Fault   capture.Fault
	Members []capture.ID // by time
}

// set is a family or a lone capture.
type set struct {
	Kin
	driveType, cause string
	prints           []Print
}

// Kindred are families and lone captures of one drive type that look alike under
// several fault codes, and in most of whose members the same cause stands out:
// what trips a drive by one of its protections today may do so by another
// tomorrow. They are put together as families are, by the mean likeness. known bear
// the names of their families. Each group that is given has two codes or more; the
// largest sets are compared where there are very many.
func Kindred(known []Known) (out [][]Kin) {
	sets := setsOf(known)
	alike := func(i, j int) float64 {
		a, b := sets[i], sets[j]
		if a.cause != b.cause || a.driveType != b.driveType {
			return -1
		}
		return meanLikeness(a, b)
	}
	for _, group := range linkage(len(sets), kindred, alike) {
		var of []Kin
		for _, i := range group {
			of = append(of, sets[i].Kin)
		}
		slices.SortFunc(of, kinFirst)
		if code(of[0].Fault) != code(of[len(of)-1].Fault) {
			out = append(out, of)
		}
	}
	slices.SortFunc(out, func(a, b []Kin) int { return kinFirst(a[0], b[0]) })
	return out
}

func kinFirst(a, b Kin) int {
	return cmp.Or(cmp.Compare(code(a.Fault), code(b.Fault)), cmp.Compare(a.Family, b.Family), cmp.Compare(a.Members[0], b.Members[0]))
}

// setsOf are the families and lone captures in which a cause stands out, the
// largest first.
func setsOf(known []Known) (sets []set) {
	known = slices.Clone(known)
	slices.SortFunc(known, func(a, b Known) int {
		return cmp.Or(cmp.Compare(a.DriveType, b.DriveType), cmp.Compare(code(a.Fault), code(b.Fault)),
			cmp.Compare(a.Family, b.Family), a.Time.Compare(b.Time), cmp.Compare(a.ID, b.ID))
	})
	for len(known) > 0 {
		n := 1
		for n < len(known) && known[0].Family != "" && known[n].Family == known[0].Family && known[n].same(known[0]) {
			n++
		}
		if s := setOf(known[:n]); s.cause != "" {
			sets = append(sets, s)
		}
		known = known[n:]
	}
	slices.SortStableFunc(sets, func(a, b set) int { return cmp.Compare(len(b.Members), len(a.Members)) })
	return sets[:min(len(sets), mostSets)]
}

// setOf is a family; its cause is that of more than half of its members.
func setOf(of []Known) set {
	s := set{Kin: Kin{Family: of[0].Family, Fault: of[0].Fault}, driveType: of[0].DriveType}
	count := map[string]int{}
	for _, k := range of {
		s.Members = append(s.Members, k.ID)
		if count[k.Print.Cause]++; k.Print.Cause != "" && 2*count[k.Print.Cause] > len(of) {
			s.cause = k.Print.Cause
		}
	}
	for _, i := range spaced(len(of), mostOfEach) {
		s.prints = append(s.prints, of[i].Print)
	}
	return s
}

func meanLikeness(a, b set) (mean float64) {
	for _, p := range a.prints {
		one := p.ready()
		for _, o := range b.prints {
			mean += one.alike(o) / float64(len(a.prints)*len(b.prints))
		}
	}
	return mean
}
