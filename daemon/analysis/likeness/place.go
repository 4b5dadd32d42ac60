package likeness

import (
	"cmp"
	"slices"
	"time"

	"faultkeep/store/capture"
)

// Placement says where a capture belongs among those known.
type Placement struct {
	Family string     // empty: it is like none
	With   capture.ID // with a new family: the capture that makes it one, and has the name from now on too
	Count  int        // members of the family, it included
	First  time.Time  // trigger of the family's first member
	Alike  []Match    // the most alike first, at most mostMatches
	Others int        // captures of the same drive type and fault code that it was compared with
	Kin    []Kin      // families and captures of other fault codes that look like it or its family; left to the caller, see Kindred
	Why    string     // why it can't be compared; empty: it can

	fault capture.Fault
}

// Match is another capture and how alike it is, 0 to 1.
type Match struct {
	ID       capture.ID
	Time     time.Time
	Likeness float64
}

const mostMatches = 3

// Place finds a capture's family among the captures known, which bear the names
// of theirs: the one whose members are most like it on average, or another
// capture without one, with which it makes a new family. It takes as long as
// comparing it with each. What it gives depends on what came before, so Families
// is to be asked now and then; the two differ little (see the tests).
func Place(p Known, among []Known) Placement {
	out := Placement{Why: p.Print.Why, fault: p.Fault}
	if out.Why == "" && !p.Print.usable() {
		out.Why = "its picture is of another version, or damaged"
	}
	if out.Why != "" {
		return out
	}
	type tally struct {
		sum   float64
		count int
		first time.Time
	}
	families := map[string]*tally{}
	var alone *Match
	var matches []Match
	same := []Known{p}
	picture := p.Print.ready()
	for _, k := range among {
		if k.ID == p.ID || !k.same(p) || !k.Print.usable() {
			continue
		}
		m := Match{k.ID, k.Time, picture.alike(k.Print)}
		matches = append(matches, m)
		if k.Family == "" {
			if alone == nil || nearer(m, *alone) < 0 {
				alone = &m
			}
			continue
		}
		same = append(same, Known{Fault: k.Fault, Family: k.Family})
		t := families[k.Family]
		if t == nil {
			t = &tally{first: k.Time}
			families[k.Family] = t
		}
		t.sum, t.count = t.sum+m.Likeness, t.count+1
		if k.Time.Before(t.first) {
			t.first = k.Time
		}
	}
	slices.SortFunc(matches, nearer)
	out.Others, out.Alike = len(matches), matches[:min(len(matches), mostMatches)]
	best := 0.0
	for name, t := range families {
		mean := t.sum / float64(t.count)
		if mean >= kin(p.Fault) && (mean > best || mean == best && elder(name, out.Family) < 0) {
			best, out.Family, out.Count, out.First = mean, name, t.count+1, t.first
		}
	}
	if alone != nil && alone.Likeness >= kin(p.Fault) && alone.Likeness > best {
		same[0].Family = ""
		out.Family, out.With, out.Count, out.First = nextName(lastName(same)), alone.ID, 2, alone.Time
	}
	if out.Family != "" && p.Time.Before(out.First) {
		out.First = p.Time
	}
	return out
}

// nearer orders matches: the most alike first, of equal ones the later.
func nearer(a, b Match) int {
	return cmp.Or(cmp.Compare(b.Likeness, a.Likeness), b.Time.Compare(a.Time), cmp.Compare(a.ID, b.ID))
}
