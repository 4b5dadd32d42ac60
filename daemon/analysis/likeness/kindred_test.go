package likeness_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/analysis/likeness"
	"faultkeep/store/capture"
)

// Families of two codes that look alike and in which the same cause stands out
// are kindred; not of another type, nor where other causes stand out or none does.
func TestKindred(t *testing.T) {
	a := likeness.Of(made{n: 500, dt: 0.001, onset: -0.2, sizes: []float64{50, 0}}.capture())
	b := likeness.Of(made{n: 500, dt: 0.001, onset: -0.2, sizes: []float64{0, 50}}.capture())
	n := 0
	of := func(p likeness.Print, typ, family string, code uint32, cause string, captures int) (out []likeness.Known) {
		for range captures {
			n++
			p.Cause = cause
			out = append(out, likeness.Known{ID: capture.ID(fmt.Sprintf("c%02d", n)), DriveType: typ, Family: family,
				Fault: capture.Fault{Code: code}, Time: start.Add(time.Duration(n) * time.Hour), Print: p})
		}
		return out
	}
	var known []likeness.Known
	for _, more := range [][]likeness.Known{
		of(a, "x", "1-A", 1, "load or jam", 3), of(a, "x", "2-A", 2, "load or jam", 2), of(a, "x", "", 3, "load or jam", 1),
		of(b, "x", "2-B", 2, "load or jam", 2), of(a, "x", "4-A", 4, "supply", 2), of(a, "x", "5-A", 5, "", 2),
		of(a, "y", "1-A", 1, "load or jam", 2), of(a, "x", "1-B", 1, "load or jam", 2),
	} {
		known = append(known, more...)
	}
	var got []string
	for _, group := range likeness.Kindred(known) {
		var names []string
		for _, k := range group {
			names = append(names, k.Family+fmt.Sprint(k.Members))
		}
		got = append(got, strings.Join(names, " "))
	}
	if diff := cmp.Diff([]string{"1-A[c01 c02 c03] 1-B[c15 c16] 2-A[c04 c05] [c06]"}, got); diff != "" {
		t.Error(diff)
	}
	if likeness.Kindred(nil) != nil {
		t.Error("nobody has kin")
	}
}

func TestKinInWords(t *testing.T) {
	for want, kin := range map[string][]likeness.Kin{
		"":                                   nil,
		" Of other faults, c06 looks alike.": {{Members: []capture.ID{"c06"}}},
		" Of other faults, family 2-A (2 captures) and c06 look alike.": {{Family: "2-A", Members: []capture.ID{"c04", "c05"}}, {Members: []capture.ID{"c06"}}},
		" Of other faults, a, b, c and 2 more look alike.": {{Members: []capture.ID{"a"}}, {Members: []capture.ID{"b"}}, {Members: []capture.ID{"c"}},
			{Members: []capture.ID{"d"}}, {Members: []capture.ID{"e"}}},
	} {
		with, without := likeness.Placement{Kin: kin}.Finding(nil).Text, likeness.Placement{}.Finding(nil).Text
		if with != without+want {
			t.Errorf("%q, want %q", strings.TrimPrefix(with, without), want)
		}
	}
}
