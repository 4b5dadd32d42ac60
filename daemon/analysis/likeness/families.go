package likeness

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"faultkeep/store/capture"
)

const (
	// Mean likenesses from which on pictures are one family. A fault code says
	// already that they have something in common, so little more is asked; without
	// one the pictures must tell it all. Set by trying on simulated drives; common
	// practice, no source.
	kinWithCode    = 0.2
	kinWithoutCode = 0.65
	// mostGrouped captures of one type and code are grouped by comparing each
	// with each; of more, this many evenly over time, and the others join.
	mostGrouped = 250

	none = "none" // stands for the fault code where there is none
)

// Known is a capture that others are compared with.
type Known struct {
	ID        capture.ID
	DriveType string
	Fault     capture.Fault
	Time      time.Time // of the trigger, UTC
	Family    string    // the name of its family as told before; empty: none
	Print     Print
}

// Family is captures of one drive type and fault code that look alike: two or more.
type Family struct {
	Name      string // such as "2311-A": the fault code as shown, and a letter in the order of the first members
	DriveType string
	Fault     capture.Fault
	Members   []capture.ID // by time
	Typical   capture.ID   // the member most like all others
	Likeness  float64      // of its members to one another, the mean
	First     time.Time
	Last      time.Time
}

// Families groups captures, within drive type and fault code, so that on average
// the members of two families are less alike than kin says: average linkage, Sokal and
// Michener 1958. The result depends on what the captures are, not on the order
// in which they are given.
//
// Names that members bear already are kept: the eldest, where families merge; by
// most of its bearers, where one falls apart. New families take the letters after
// the last one known. The time it takes grows with the square of the captures of
// one code up to mostGrouped, from there on linearly.
func Families(known []Known) (out []Family) {
	for _, group := range groups(known) {
		sets := cluster(group)
		names := named(group, sets)
		for i, set := range sets {
			out = append(out, family(group, set, names[i]))
		}
	}
	return out
}

// groups are those that can be compared, by drive type and fault code, each by
// time.
func groups(known []Known) (out [][]Known) {
	all := slices.Clone(known)
	slices.SortFunc(all, func(a, b Known) int {
		return cmp.Or(cmp.Compare(a.DriveType, b.DriveType), cmp.Compare(code(a.Fault), code(b.Fault)), a.Time.Compare(b.Time), cmp.Compare(a.ID, b.ID))
	})
	all = slices.CompactFunc(all, func(a, b Known) bool { return a.ID == b.ID && a.same(b) })
	for i, k := range all {
		if i == 0 || !k.same(all[i-1]) {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], k)
	}
	return out
}

// same tells whether two captures could be of one family.
func (k Known) same(o Known) bool {
	return k.DriveType == o.DriveType && code(k.Fault) == code(o.Fault)
}

// kin is the least mean likeness of a family of this fault.
func kin(f capture.Fault) float64 {
	if code(f) == none {
		return kinWithoutCode
	}
	return kinWithCode
}

// code is a fault's code as it stands in names.
func code(f capture.Fault) string {
	if f.Shown != "" {
		return f.Shown
	}
	if f.Code == 0 {
		return none
	}
	return decimal(f.Code)
}

// cluster gives the sets of two or more that look alike, each ascending, the one
// with the earliest member first.
func cluster(group []Known) (sets [][]int) {
	base := spaced(len(group), mostGrouped)
	owner := make([]int, len(group)) // by set, −1: none yet
	for i := range owner {
		owner[i] = -1
	}
	least := kin(group[0].Fault)
	all := linkage(len(base), least, func(i, j int) float64 { return Alike(group[base[i]].Print, group[base[j]].Print) })
	for n, set := range all {
		for _, i := range set {
			owner[base[i]] = n
		}
	}
	settled := slices.Clone(owner)
	for i := range group {
		if settled[i] < 0 {
			if best, mean := nearestSet(group, settled, group[i].Print, len(all)); mean >= least {
				owner[i] = best
			}
		}
	}
	members := make([][]int, len(all))
	for i, n := range owner {
		if n >= 0 {
			members[n] = append(members[n], i)
		}
	}
	members = slices.DeleteFunc(members, func(set []int) bool { return len(set) < 2 })
	slices.SortFunc(members, func(a, b []int) int { return cmp.Compare(a[0], b[0]) })
	return members
}

// nearestSet is the set whose members are on average most like p, the first of
// several.
func nearestSet(group []Known, owner []int, p Print, sets int) (best int, mean float64) {
	picture := p.ready()
	sum, count := make([]float64, sets), make([]float64, sets)
	for i, n := range owner {
		if n >= 0 {
			sum[n] += picture.alike(group[i].Print)
			count[n]++
		}
	}
	best, mean = -1, -1
	for n := range sum {
		if m := sum[n] / count[n]; m > mean {
			best, mean = n, m
		}
	}
	return best, mean
}

// spaced are at most so many of n, evenly over them.
func spaced(n, most int) (out []int) {
	m := min(n, most)
	for i := range m {
		out = append(out, i*n/m)
	}
	return out
}

// linkage clusters n things until the mean likeness between any two clusters is
// below least. It follows chains of nearest neighbours (Murtagh 1983), which for
// the mean gives what joining the nearest pair each time would, in n² steps.
func linkage(n int, least float64, alike func(i, j int) float64) [][]int {
	like := make([][]float64, n)
	sets := make([][]int, n)
	for i := range like {
		sets[i] = []int{i}
		like[i] = make([]float64, n)
		for j := range i {
			like[i][j] = alike(i, j)
			like[j][i] = like[i][j]
		}
	}
	open := make([]bool, n) // may still be joined
	for i := range open {
		open[i] = true
	}
	var chain []int
	for start := 0; ; {
		if len(chain) == 0 {
			for start < n && !open[start] {
				start++
			}
			if start == n {
				break
			}
			chain = append(chain, start)
		}
		top, last := chain[len(chain)-1], -1
		if len(chain) > 1 {
			last = chain[len(chain)-2]
		}
		next := last // a tie goes back, so that chains end
		for j := range n {
			if j != top && open[j] && (next < 0 || like[top][j] > like[top][next]) {
				next = j
			}
		}
		switch {
		case next < 0 || like[top][next] < least: // nothing is near enough to it, nor ever will be
			open[top] = false
			chain = chain[:len(chain)-1]
		case next != last:
			chain = append(chain, next)
		default:
			a, b := float64(len(sets[top])), float64(len(sets[next]))
			for j := range n {
				mean := (a*like[top][j] + b*like[next][j]) / (a + b)
				like[next][j], like[j][next] = mean, mean
			}
			sets[next], sets[top] = append(sets[next], sets[top]...), nil
			open[top] = false
			chain = chain[:len(chain)-2]
		}
	}
	return slices.DeleteFunc(sets, func(set []int) bool { return set == nil })
}

// family describes a set of a group.
func family(group []Known, set []int, name string) Family {
	f := Family{Name: name, DriveType: group[set[0]].DriveType, Fault: group[set[0]].Fault,
		First: group[set[0]].Time, Last: group[set[len(set)-1]].Time}
	for _, i := range set {
		f.Members = append(f.Members, group[i].ID)
	}
	some, best := spaced(len(set), mostGrouped), -1.0
	total := 0.0
	for _, i := range some {
		sum := 0.0
		for _, j := range some {
			if i != j {
				sum += Alike(group[set[i]].Print, group[set[j]].Print)
			}
		}
		if total += sum; sum > best {
			best, f.Typical = sum, group[set[i]].ID
		}
	}
	f.Likeness = total / float64(len(some)*(len(some)-1))
	return f
}

// named gives every set its name. See Families.
func named(group []Known, sets [][]int) []string {
	names := make([]string, len(sets))
	bearers := map[string][]int{} // how many of each set bear a name
	for n, set := range sets {
		for _, i := range set {
			if name := group[i].Family; name != "" {
				if bearers[name] == nil {
					bearers[name] = make([]int, len(sets))
				}
				bearers[name][n]++
			}
		}
	}
	old := make([]string, 0, len(bearers))
	for name := range bearers {
		old = append(old, name)
	}
	slices.SortFunc(old, elder)
	for _, name := range old {
		best := -1
		for n, count := range bearers[name] {
			if count > 0 && names[n] == "" && (best < 0 || count > bearers[name][best]) {
				best = n
			}
		}
		if best >= 0 {
			names[best] = name
		}
	}
	last := lastName(group)
	for n := range names {
		if names[n] == "" {
			last = nextName(last)
			names[n] = last
		}
	}
	return names
}

// elder orders names of one code by when they were given: A, …, Z, AA, …
func elder(a, b string) int {
	return cmp.Or(cmp.Compare(len(a), len(b)), strings.Compare(a, b))
}

// lastName is the youngest name that any of a group bears, or what comes before
// the first.
func lastName(group []Known) string {
	last := code(group[0].Fault) + "-"
	for _, k := range group {
		if strings.HasPrefix(k.Family, code(k.Fault)+"-") && elder(k.Family, last) > 0 {
			last = k.Family
		}
	}
	return last
}

// nextName counts the letters on: "", A, …, Z, AA, …
func nextName(name string) string {
	at := strings.LastIndexByte(name, '-') + 1
	letters := []byte(name[at:])
	for i := len(letters) - 1; i >= 0; i-- {
		if letters[i] >= 'A' && letters[i] < 'Z' {
			letters[i]++
			return name[:at] + string(letters)
		}
		letters[i] = 'A'
	}
	return name[:at] + "A" + string(letters)
}
