package store_test

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	bolt "go.etcd.io/bbolt"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// briefOf is a brief of the nth day after the night.
func briefOf(n int) (store.Brief, capture.Alert) {
	slot := storetest.Night.AddDate(0, 0, n)
	id := "brief-" + slot.Format(time.DateOnly)
	return store.Brief{ID: id, Slot: slot, From: slot.AddDate(0, 0, -1), To: slot.Add(time.Second), Headline: "Nothing happened.",
		Text: "text of " + id, HTML: "<p>" + strings.Repeat("long ", 1000) + id, JSON: `{"of":"` + id + `"}`}, capture.Alert{ID: id, Severity: capture.Info, Text: "Nothing happened."}
}

// A brief and its alerts are there together, once, however often it is kept.
func TestBriefs(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	s := storetest.New(t, storetest.At(path))
	now := storetest.Night
	if _, found, err := s.LastBrief(ctx, now); found || err != nil {
		t.Fatal(found, err)
	}
	if _, err := s.Brief(ctx, ""); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("the newest of none: %v", err)
	}
	for range 2 { // said at every start
		if err := s.BriefsFrom(ctx, now.Add(-time.Hour)); err != nil {
			t.Fatal(err)
		}
		now = now.Add(time.Minute)
	}
	if last, found, err := s.LastBrief(ctx, now); !found || err != nil || last.ID != "" || !last.To.Equal(storetest.Night.Add(-time.Hour)) {
		t.Errorf("%+v, %v, %v", last, found, err)
	}
	if _, err := s.Brief(ctx, ""); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("what only says from when on is no brief: %v", err)
	}
	want, alert := briefOf(0)
	for round := range 3 {
		made, err := s.KeepBrief(ctx, want, alert, []string{"mail", "log"})
		if err != nil || made != (round == 0) {
			t.Fatalf("round %d: made %v, %v", round, made, err)
		}
	}
	for _, sink := range []string{"mail", "log"} {
		box, err := s.Outbox(ctx, sink, 0)
		if err != nil || len(box) != 1 || box[0].Alert.ID != want.ID || box[0].Alert.Site != "Northquay" || !box[0].Alert.Time.Equal(want.Slot) {
			t.Errorf("%s: %+v, %v", sink, box, err)
		}
	}
	select {
	case <-s.Waiting():
	default:
		t.Error("nobody is woken to send it")
	}
	for _, id := range []string{"", want.ID} {
		if got, err := s.Brief(ctx, id); err != nil || cmp.Diff(want, got) != "" {
			t.Errorf("%q: %v\n%s", id, err, cmp.Diff(want, got))
		}
	}
	if last, _, _ := s.LastBrief(ctx, want.Slot.Add(-1)); last.ID != "" {
		t.Errorf("a brief that is due later counts as the last: %+v", last)
	}
	if last, _, _ := s.LastBrief(ctx, want.Slot); last.ID != want.ID || last.Text != "" {
		t.Errorf("%+v", last)
	}
	if _, err := s.Brief(ctx, "brief-1999-01-01"); !errors.Is(err, store.ErrNotFound) {
		t.Error(err)
	}

	// The newest sixty stay, in copies too.
	for n := 1; n <= 70; n++ {
		b, alert := briefOf(n)
		if made, err := s.KeepBrief(ctx, b, alert, nil); !made || err != nil {
			t.Fatal(made, err)
		}
	}
	for n, there := range map[int]bool{0: false, 10: false, 11: true, 70: true} {
		b, _ := briefOf(n)
		if _, err := s.Brief(ctx, b.ID); (err == nil) != there {
			t.Errorf("day %d: %v", n, err)
		}
	}
	copied := filepath.Join(t.TempDir(), "copy.db")
	if _, err := s.Backup(ctx, copied, nil); err != nil {
		t.Fatal(err)
	}
	other := storetest.New(t, storetest.At(copied))
	newest, _ := briefOf(70)
	if got, err := other.Brief(ctx, ""); err != nil || cmp.Diff(newest, got) != "" {
		t.Errorf("in a copy: %v\n%s", err, cmp.Diff(newest, got))
	}
}

// Where the commit fails there is neither brief nor alert, and it can be done again.
func TestBriefThatFails(t *testing.T) {
	s := storetest.New(t)
	b, alert := briefOf(0)
	if made, err := s.KeepBrief(ctx, b, alert, []string{"log", ""}); made || err == nil { // a sink without a name is found in the transaction
		t.Fatal(made, err)
	}
	if _, err := s.Brief(ctx, b.ID); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("half of it is there: %v", err)
	}
	if box, _ := s.Outbox(ctx, "log", 0); len(box) > 0 {
		t.Errorf("half of it is there: %+v", box)
	}
	if made, err := s.KeepBrief(ctx, b, alert, []string{"log"}); !made || err != nil {
		t.Error(made, err)
	}
}

// Verify names a damaged brief; the others are read all the same.
func TestDamagedBrief(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	s, err := store.Open(ctx, store.Options{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	for n := range 2 {
		b, alert := briefOf(n)
		if _, err := s.KeepBrief(ctx, b, alert, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	db := storetest.Raw(t, path)
	err = db.Update(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte("briefs"))
		k, v := b.Cursor().Last()
		v = append([]byte(nil), v...)
		v[len(v)/2] ^= 1
		return b.Put(k, v)
	})
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	report, err := storetest.Verify(path)
	if err != nil || len(report.Problems) != 1 || !strings.Contains(report.String(), "A brief is") {
		t.Errorf("%v, %v", report, err)
	}
	s, err = store.Open(ctx, store.Options{Path: path, ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	first, _ := briefOf(0)
	if got, err := s.Brief(ctx, ""); err != nil || got.ID != first.ID {
		t.Errorf("%+v, %v", got, err)
	}
}

// What sinks haven't taken is told with how long it waits, and why.
func TestUndelivered(t *testing.T) {
	night := storetest.Night
	s := storetest.New(t, storetest.Now(func() time.Time { return night.Add(10 * time.Minute) }), func(o *store.Options) {
		o.Announce = func(capture.Alert) []capture.Delivery {
			return append(capture.To("log", "control-room"), capture.Delivery{Sink: "day-shift", Hold: night.Add(time.Hour)})
		}
	})
	for n := range 5 {
		at := night.Add(time.Duration(n) * time.Minute)
		if n == 4 {
			at = night.Add(9*time.Minute + 30*time.Second) // on its way
		}
		if err := s.Note(ctx, store.Entry{Time: at, Kind: "x", Text: fmt.Sprint(n)}, capture.Alert{Kind: capture.KindDisk, Text: fmt.Sprint(n)}); err != nil {
			t.Fatal(err)
		}
	}
	for _, m := range must[[]store.Message](t)(s.Outbox(ctx, "log", 0)) {
		if err := s.Accepted(ctx, "log", m.Seq); err != nil {
			t.Fatal(err)
		}
	}
	box := must[[]store.Message](t)(s.Outbox(ctx, "control-room", 0))
	if err := errors.Join(s.SetAside(ctx, "control-room", box[0].Seq, "400"), s.SetAside(ctx, "control-room", box[1].Seq, "410"),
		s.Retry(ctx, "control-room", box[2].Seq, night, "connection refused")); err != nil {
		t.Fatal(err)
	}
	want := []store.Undelivered{{Sink: "control-room", Waiting: 2, Since: night.Add(2 * time.Minute), Why: "connection refused", Refused: 1, Because: "410"}}
	got, err := s.Undelivered(ctx, night.Add(time.Minute))
	if err != nil || cmp.Diff(want, got) != "" {
		t.Errorf("%v\n%s", err, cmp.Diff(want, got))
	}
}
