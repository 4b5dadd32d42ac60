package study_test

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"strings"
	"testing"

	"faultkeep/daemon/study"
	"faultkeep/daemon/web/wire"
	"faultkeep/sources/drivesim"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// families are the families that lists tell, by cause.
func families(t *testing.T, d *study.Desk, ids map[capture.ID]drivesim.Cause) map[drivesim.Cause]map[string]int {
	t.Helper()
	out := map[drivesim.Cause]map[string]int{}
	for id, cause := range ids {
		all, err := d.Short(ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		if out[cause] == nil {
			out[cause] = map[string]int{}
		}
		out[cause][all[id].Family]++
	}
	return out
}

// Captures of one fault that look alike get a family, which keeps its name; the
// finding says how many there are, recurrence counts them by themselves.
func TestFamilies(t *testing.T) {
	s := storetest.New(t)
	d := study.New(s)
	ids := map[capture.ID]drivesim.Cause{}
	var last capture.ID
	for i := range 8 {
		cause := []drivesim.Cause{drivesim.Jam, drivesim.MainsDip}[i%2]
		c := scenario(t, s, uint64(100+i), cause)
		ids[c.ID], last = cause, c.ID
		if _, err := d.Analyse(ctx, c.ID, nil); err != nil {
			t.Fatal(err)
		}
	}
	before := families(t, d, ids)
	name := ""
	for family, n := range before[drivesim.MainsDip] {
		if n >= 3 && family != "" {
			name = family
		}
	}
	if name == "" || before[drivesim.Jam][name] > 0 {
		t.Fatalf("families: %v", before)
	}
	st, err := d.Study(ctx, last, storetest.Night.Location())
	if err != nil {
		t.Fatal(err)
	}
	alike := ""
	for _, f := range st.Findings {
		if f.Kind == capture.FindingAlike {
			alike = f.Text
		}
	}
	if !strings.Contains(alike, "family "+name) || !strings.Contains(alike, "since 29 November 2026") {
		t.Errorf("%q", alike)
	}
	list, err := d.Recurrences(ctx, wire.Query{})
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, r := range list {
		found = found || r.Family == name && len(r.Trips) == before[drivesim.MainsDip][name]
	}
	if !found {
		t.Errorf("no recurrence of family %s with its trips: %+v", name, list)
	}

	// All looked at again in any order, by the follower: the name stays.
	if err := s.PutStudies(map[capture.ID]store.Studied{last: {}}); err != nil {
		t.Fatal(err)
	}
	run, stop := context.WithCancel(ctx)
	f := d.Follow(slog.New(slog.DiscardHandler), stop)
	f.Run(run)
	after := families(t, d, ids)
	if after[drivesim.MainsDip][name] < 3 || after[drivesim.Jam][name] > 0 {
		t.Errorf("families: %v, were %v", after, before)
	}
}

// A cause that trips a drive by two protections: what is found of one capture
// names those of the other fault code that look alike.
func TestKinOfOtherFaults(t *testing.T) {
	s := storetest.New(t)
	d := study.New(s)
	codes := map[string]capture.ID{}
	for i := range uint64(10) {
		c := scenario(t, s, 100+i, drivesim.Jam)
		codes[c.Fault.ShownCode()] = c.ID
		if _, err := d.Analyse(ctx, c.ID, nil); err != nil {
			t.Fatal(err)
		}
	}
	if len(codes) < 2 {
		t.Fatalf("all of one code: %v", codes)
	}
	told := 0
	for code, id := range codes {
		st, err := d.Study(ctx, id, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range st.Findings {
			if _, kin, ok := strings.Cut(f.Text, "Of other faults, "); f.Kind == capture.FindingAlike && ok {
				if told++; strings.Contains(kin, code+"-") {
					t.Errorf("%s has itself for kin: %s", code, f.Text)
				}
			}
		}
	}
	if told < 2 {
		t.Errorf("only %d of the captures under %d codes name kin", told, len(codes))
	}
}

// What is stored of a picture comes back, and anything else is refused.
func TestPrintsComeBack(t *testing.T) {
	c, series, _ := drivesim.Scenario{Seed: 5, Cause: drivesim.Jam}.Play()
	study.CheckPack(t, c, series)
	r := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		b := make([]byte, r.IntN(60))
		for i := range b {
			b[i] = byte(r.Uint32())
		}
		study.CheckUnpack(b) // must not panic
	}
}
