package store_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	bolt "go.etcd.io/bbolt"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

func studied(version int, group, first string) store.Studied {
	return store.Studied{Group: group, Print: []byte("print of " + first), Study: capture.Study{Version: version, At: time.Unix(1.8e9, 0).UTC(),
		Findings: []capture.Finding{{Kind: capture.FindingFirstMover, Text: first, Channels: []string{"current"}, From: -0.041, To: 0.2}}}}
}

// Findings come back as they were stored, the newer in the place of the older,
// and go with their capture.
func TestStudies(t *testing.T) {
	path := t.TempDir() + "/faultkeep.db"
	s := storetest.New(t, storetest.At(path))
	a, b := old(t, s, "elevator", 10, 100), old(t, s, "elevator", 20, 100)
	list := func(version int) (ids []capture.ID) {
		t.Helper()
		ids, err := s.Unstudied(ctx, version, 10)
		if err != nil {
			t.Fatal(err)
		}
		return ids
	}
	if got := list(1); !cmp.Equal(got, []capture.ID{b.ID, a.ID}) {
		t.Fatalf("without findings: %v", got)
	}
	one, two := studied(1, "map 2311", "current rose first"), studied(2, "map 2311", "DC link fell first")
	if err := s.PutStudies(map[capture.ID]store.Studied{a.ID: one, b.ID: two, "gone": one}); err != nil {
		t.Fatal(err)
	}
	got, err := s.Studies(ctx, a.ID, b.ID, "gone")
	if diff := cmp.Diff(map[capture.ID]store.Studied{a.ID: one, b.ID: two}, got); diff != "" || err != nil {
		t.Errorf("%v %s", err, diff)
	}
	if got := list(1); len(got) != 0 {
		t.Errorf("all have findings, %v listed without", got)
	}
	if got := list(2); !cmp.Equal(got, []capture.ID{a.ID}) {
		t.Errorf("with older findings: %v", got)
	}
	prints := func(group string) (said []string) {
		t.Helper()
		list, err := s.Prints(ctx, group)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range list {
			said = append(said, string(p.ID)+" "+p.Drive+" "+string(p.Bytes))
		}
		return said
	}
	want := []string{string(a.ID) + " elevator print of current rose first", string(b.ID) + " elevator print of DC link fell first"}
	if diff := cmp.Diff(want, prints("map 2311")); diff != "" {
		t.Error(diff)
	}
	if got := prints("map 23"); got != nil {
		t.Errorf("prints of another group: %v", got)
	}

	// Another group takes the print along; dropping the capture takes all.
	one.Group = "other map"
	if err := s.PutStudies(map[capture.ID]store.Studied{a.ID: one}); err != nil {
		t.Fatal(err)
	}
	for prefix, want := range map[string][]string{"": {"map 2311", "other map"}, "map ": {"map 2311"}, "map 2311x": nil} {
		if got, err := s.PrintGroups(ctx, prefix); err != nil || !cmp.Equal(got, want) {
			t.Errorf("groups that begin with %q: %q, %v", prefix, got, err)
		}
	}
	if got := prints("map 2311"); !cmp.Equal(got, want[1:]) {
		t.Errorf("after a change of group: %v", got)
	}
	if err := store.DropCapture(s, a.ID); err != nil {
		t.Fatal(err)
	}
	if got := prints("other map"); got != nil {
		t.Errorf("of a dropped capture: %v", got)
	}
	if got, _ := s.Studies(ctx, a.ID); len(got) != 0 {
		t.Errorf("findings of a dropped capture: %v", got)
	}
}

// Damaged findings are told by verify, and count as not there, so that they
// are computed again.
func TestDamagedStudies(t *testing.T) {
	for _, bucket := range []string{"studies", "prints", "repairs"} {
		path := t.TempDir() + "/faultkeep.db"
		s, err := store.Open(ctx, store.Options{Path: path})
		if err != nil {
			t.Fatal(err)
		}
		a := old(t, s, "elevator", 20, 100)
		err = errors.Join(s.PutStudies(map[capture.ID]store.Studied{a.ID: studied(1, "g", "current rose first")}),
			s.AddRepair(ctx, capture.Repair{Drive: "elevator", At: time.Now().Add(-time.Hour), Note: "bearing replaced"}), s.Close())
		if err != nil {
			t.Fatal(err)
		}
		db := storetest.Raw(t, path)
		err = db.Update(func(tx *bolt.Tx) error {
			b := tx.Bucket([]byte(bucket))
			k, v := b.Cursor().First()
			broken := bytes.Clone(v)
			broken[len(broken)/2] ^= 4
			return b.Put(bytes.Clone(k), broken)
		})
		if err := errors.Join(err, db.Close()); err != nil {
			t.Fatal(err)
		}
		report, err := storetest.Verify(path)
		if err != nil || len(report.Problems) != 1 || !strings.Contains(report.Problems[0].Text, "damaged") {
			t.Errorf("%s: %s %v", bucket, report, err)
		}
		s, err = store.Open(ctx, store.Options{Path: path})
		if err != nil {
			t.Fatal(err)
		}
		studies, err := s.Studies(ctx, a.ID)
		again, err2 := s.Unstudied(ctx, 1, 10)
		repairs, err3 := s.Repairs(ctx, "")
		if err := errors.Join(err, err2, err3); err != nil {
			t.Error(err)
		}
		damaged := bucket == "studies"
		if len(studies) == 1 == damaged || len(again) == 1 != damaged || len(repairs) == 1 == (bucket == "repairs") {
			t.Errorf("%s: %v, to be computed again: %v, repairs: %v", bucket, studies, again, repairs)
		}
		if damaged {
			if err := s.PutStudies(map[capture.ID]store.Studied{a.ID: studied(1, "g", "again")}); err != nil {
				t.Error(err)
			}
			if report, err := s.Verify(ctx, nil); err != nil || !report.OK() {
				t.Errorf("after they were computed again: %s %v", report, err)
			}
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
}

// Repairs come back in order of time, are told in the ledger, and are noted
// only of what was done.
func TestRepairs(t *testing.T) {
	s := storetest.New(t)
	at := time.Now().Add(-48 * time.Hour).UTC().Truncate(time.Second)
	later := capture.Repair{Drive: "elevator", At: at.Add(time.Hour), Note: "Cable replaced.", Fault: "7300"}
	first := capture.Repair{Drive: "elevator", At: at, Note: " bearing replaced "}
	other := capture.Repair{Drive: "fan", At: at, Note: "cleaned"}
	for _, r := range []capture.Repair{later, first, other, first} {
		if err := s.AddRepair(ctx, r); err != nil {
			t.Fatal(err)
		}
	}
	list := func(drive string) (notes []string) {
		t.Helper()
		all, err := s.Repairs(ctx, drive)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range all {
			notes = append(notes, r.Note)
		}
		return notes
	}
	if got := list("elevator"); !cmp.Equal(got, []string{"bearing replaced", "Cable replaced."}) {
		t.Errorf("%q", got)
	}
	if got := list(""); len(got) != 3 {
		t.Errorf("%q", got)
	}
	entries, err := s.Ledger(ctx, store.Query{Kinds: []string{store.KindRepair}, Drives: []string{"elevator"}})
	if err != nil || len(entries) != 2 || !strings.Contains(entries[1].Text, "against 7300: Cable replaced.") && !strings.Contains(entries[0].Text, "against 7300: Cable replaced.") {
		t.Errorf("%v %v", entries, err)
	}
	for _, bad := range []capture.Repair{
		{Drive: "", At: at, Note: "x"}, {Drive: "elevator", Note: "x"}, {Drive: "elevator", At: at, Note: " "},
		{Drive: "elevator", At: time.Now().Add(time.Hour), Note: "tomorrow"}, {Drive: "elevator", At: at, Note: strings.Repeat("x", 2001)},
	} {
		if err := s.AddRepair(ctx, bad); err == nil {
			t.Errorf("%+.40v was noted", bad)
		}
	}
	if err := s.DropRepair(ctx, first); err != nil {
		t.Error(err)
	}
	if err := s.DropRepair(ctx, first); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("dropped twice: %v", err)
	}
	if got := list("elevator"); !cmp.Equal(got, []string{"Cable replaced."}) {
		t.Errorf("%q", got)
	}
}
