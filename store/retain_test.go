package store_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

const day = 24 * time.Hour

// clock is a clock that stands still until it is set.
type clock struct{ now time.Time }

func (c *clock) read() time.Time { return c.now }

// old keeps recordings of a drive whose triggers lie a day apart.
func old(t testing.TB, s *store.Store, drive string, n, samples int) capture.Capture {
	t.Helper()
	c, data := storetest.Recording(drive, n, 4, samples)
	c.Trigger.Time = storetest.Night.Add(time.Duration(n) * day)
	c.ID = ""
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	c.ID = d.Opening().ID
	return must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, len(data))))
}

func idsOf(list []capture.Capture) (out []capture.ID) {
	for _, c := range list {
		out = append(out, c.ID)
	}
	slices.Sort(out)
	return out
}

func left(t *testing.T, s *store.Store) []capture.ID {
	t.Helper()
	return idsOf(must[[]capture.Capture](t)(s.Captures(ctx, store.Query{})))
}

func sameIDs(t *testing.T, s *store.Store, want ...capture.Capture) {
	t.Helper()
	if got := left(t, s); !slices.Equal(got, idsOf(want)) {
		t.Errorf("left are %v,\nwant %v", got, idsOf(want))
	}
}

func TestRetentionByAge(t *testing.T) {
	now := &clock{storetest.Night.Add(10*day + time.Hour)}
	s := storetest.New(t, storetest.Now(now.read))
	var c []capture.Capture
	for n := range 10 { // 10, 9 … 1 days old, and an hour
		c = append(c, old(t, s, "elevator", n, 100))
	}
	ancient := old(t, s, "belt", -400, 100) // the only one of its drive
	if err := s.Review(ctx, c[0].ID, c[1].ID, c[2].ID, c[5].ID, c[9].ID); err != nil {
		t.Fatal(err)
	}
	if err := s.Pin(ctx, c[1].ID, true); err != nil {
		t.Fatal(err)
	}
	draft, data := storetest.Recording("slew", -500*24*60, 2, 50)
	d := must[*store.Draft](t)(s.Draft(ctx, draft))
	if err := d.Append(ctx, storetest.Chunk(data, 0, 60)); err != nil {
		t.Fatal(err)
	}

	// Reviewed ones go at 4 days, the others at 8, pinned ones never.
	dropped := must[store.Dropped](t)(s.Retain(ctx, store.Retention{KeepFor: 4 * day}))
	sameIDs(t, s, c[1], c[3], c[4], c[6], c[7], c[8], c[9], ancient)
	if dropped.Captures != 3 || dropped.Bytes <= 0 {
		t.Errorf("dropped %+v", dropped)
	}
	if drafts := must[[]*store.Draft](t)(s.Drafts(ctx, "")); len(drafts) != 1 || len(drafts[0].Have()) != 1 {
		t.Errorf("drafts %v", drafts)
	}
	lines := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Kinds: []string{store.KindDropped}}))
	if len(lines) != 3 {
		t.Fatalf("%d lines in the ledger", len(lines))
	}
	last := lines[len(lines)-1] // the first that went
	want := fmt.Sprintf("Dropped, since it is older than 4 days: %s of 25 Nov 2026 03:12:07 UTC (Bucket elevator, Continuous overcurrent, output 1 (2311), whole, 800 bytes, SHA-256 %.16s…).", c[0].ID, c[0].Integrity.SHA256)
	if last.Text != want || last.Capture != c[0].ID || last.Drive != "elevator" || last.Fault != c[0].Fault {
		t.Errorf("line %+v\nwant %s", last, want)
	}
	for _, gone := range []capture.Capture{c[0], c[2], c[5]} {
		if _, err := s.Get(ctx, gone.ID); err == nil {
			t.Errorf("%s is still there", gone.ID)
		}
	}
	if m := must[map[capture.ID]store.Marks](t)(s.MarksOf(ctx, c[0].ID, c[1].ID)); len(m) != 1 {
		t.Errorf("marks left: %v", m)
	}
	if again := must[store.Dropped](t)(s.Retain(ctx, store.Retention{KeepFor: 4 * day})); again.Captures != 0 {
		t.Errorf("again %+v", again)
	}

	// However old: of each drive the newest stays, and so do pinned ones.
	now.now = now.now.Add(4000 * day)
	must[store.Dropped](t)(s.Retain(ctx, store.Retention{KeepFor: 4 * day}))
	sameIDs(t, s, c[1], c[9], ancient)
	if last, found, err := s.Last(ctx, "elevator"); err != nil || !found || last.ID != c[9].ID {
		t.Errorf("last %s (%v)", last.ID, err)
	}
}

func TestRetentionBySize(t *testing.T) {
	s := storetest.New(t)
	var c []capture.Capture
	for n := range 30 {
		c = append(c, old(t, s, "elevator", n, 8000)) // 64 kB each
	}
	reviewed := []capture.Capture{c[20], c[21], c[22], c[23], c[24]}
	for _, r := range reviewed {
		if err := s.Review(ctx, r.ID); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Pin(ctx, c[0].ID, true); err != nil {
		t.Fatal(err)
	}
	used := must[store.Stats](t)(s.Stats(ctx)).Used
	limit := func(bytes int64) int {
		t.Helper()
		d := must[store.Dropped](t)(s.Retain(ctx, store.Retention{MaxSize: bytes}))
		if now := must[store.Stats](t)(s.Stats(ctx)).Used; now > bytes {
			t.Errorf("%d bytes in use, the limit is %d", now, bytes)
		}
		return d.Captures
	}
	if n := limit(used); n != 0 {
		t.Errorf("%d dropped below the limit", n)
	}
	if n := limit(used - 150_000); n != 3 { // reviewed ones first, the oldest of them first
		t.Errorf("%d dropped to free 150 kB", n)
	}
	sameIDs(t, s, append(slices.Clone(c[:20]), c[23:]...)...)
	limit(used - 10*66_000)
	if got := left(t, s); slices.Contains(got, c[24].ID) || !slices.Contains(got, c[0].ID) || slices.Contains(got, c[1].ID) || !slices.Contains(got, c[29].ID) {
		t.Errorf("left %v", got)
	}
	must[store.Dropped](t)(s.Retain(ctx, store.Retention{MaxSize: 1})) // impossible, and yet the newest stays
	sameIDs(t, s, c[29])
	// What got free is used again: the file doesn't grow.
	before := must[store.Stats](t)(s.Stats(ctx)).Size
	for n := 40; n < 60; n++ {
		old(t, s, "elevator", n, 8000)
	}
	if after := must[store.Stats](t)(s.Stats(ctx)).Size; after > before {
		t.Errorf("the file grew from %d to %d", before, after)
	}
}

// A trace is no recording: the newest recording stays beside newer traces.
// And the trace of a recording goes and stays with it.
func TestRetentionAndTraces(t *testing.T) {
	s := storetest.New(t)
	trace := func(id capture.ID, n int) capture.Capture {
		t.Helper()
		c, data := storetest.Recording("elevator", n, 1, 20)
		c.Origin, c.ID, c.Provenance.Identity = capture.Trace, id, fmt.Sprint("trace ", n)
		c.Trigger.Time = storetest.Night.Add(time.Duration(n) * day)
		d := must[*store.Draft](t)(s.Draft(ctx, c))
		return must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, len(data))))
	}
	first := old(t, s, "elevator", 0, 50)
	beside := trace(first.ID.TraceID(), 0)
	recorded := old(t, s, "elevator", 1, 50)
	its := trace(recorded.ID.TraceID(), 1)
	alone := []capture.Capture{trace("20261127-000000-elevator-aaaa-trace", 2), trace("20261128-000000-elevator-aaaa-trace", 3)}
	must[store.Dropped](t)(s.Retain(ctx, store.Retention{MaxSize: 1}))
	for id, want := range map[capture.ID]bool{first.ID: false, beside.ID: false, recorded.ID: true, its.ID: true, alone[0].ID: false, alone[1].ID: true} {
		if _, err := s.Get(ctx, id); (err == nil) != want {
			t.Errorf("%s is there: %v, want %v", id, err == nil, want)
		}
	}
	lines := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Kinds: []string{store.KindDropped}}))
	if len(lines) != 2 || !strings.Contains(lines[0].Text, ", a trace)") || !strings.Contains(lines[1].Text, ", with its trace)") {
		t.Errorf("lines %+v", lines)
	}
}

// Dropping is all or nothing, whatever the disk does.
func TestDroppingThatFails(t *testing.T) {
	s := storetest.New(t)
	var c []capture.Capture
	for n := range 5 {
		c = append(c, old(t, s, "elevator", n, 500))
	}
	store.SetCommit(s, func(tx *bolt.Tx) error { _ = tx.Rollback(); return os.ErrClosed })
	if _, err := s.Retain(ctx, store.Retention{MaxSize: 1}); err == nil {
		t.Error("no error")
	}
	store.SetCommit(s, nil)
	sameIDs(t, s, c...)
	if lines := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Kinds: []string{store.KindDropped}})); len(lines) != 0 {
		t.Errorf("lines %v", lines)
	}
	store.SetCommit(s, func(tx *bolt.Tx) error { _ = tx.Commit(); return os.ErrClosed })
	must[store.Dropped](t)(s.Retain(ctx, store.Retention{MaxSize: 1}))
	store.SetCommit(s, nil)
	sameIDs(t, s, c[4])
}

// A clock that leaps years ahead must not cost the captures at once.
func TestAgeWaitsForTheClock(t *testing.T) {
	now := &clock{storetest.Night.Add(30 * day)}
	s := storetest.New(t, storetest.Now(now.read))
	c := []capture.Capture{old(t, s, "elevator", 0, 50), old(t, s, "elevator", 25, 50), old(t, s, "elevator", 29, 50)}
	l := store.Limits{Retention: store.Retention{KeepFor: 5 * day}}
	upkeep := func(after time.Duration, want ...capture.Capture) {
		t.Helper()
		now.now = now.now.Add(after)
		if err := s.Upkeep(ctx, l); err != nil {
			t.Fatal(err)
		}
		sameIDs(t, s, want...)
	}
	upkeep(0, c...)                  // the very first time
	upkeep(23*time.Hour, c...)       // some hours of it
	upkeep(time.Hour, c[1], c[2])    // older than 2 × 5 days
	upkeep(4000*day, c[1], c[2])     // the clock is set to 2037
	upkeep(-4000*day, c[1], c[2])    // and put right
	upkeep(2*time.Hour, c[1], c[2])  // still held
	upkeep(23*time.Hour, c[1], c[2]) // 7 days old now, and not reviewed
	upkeep(6*day, c[2])              // a PC that was off for some days
	if err := s.Review(ctx, c[2].ID); err != nil {
		t.Fatal(err)
	}
	upkeep(5*day, c[2])
}

func TestMarks(t *testing.T) {
	s := storetest.New(t)
	a, b := old(t, s, "elevator", 0, 50), old(t, s, "elevator", 1, 50)
	for range 2 {
		if err := s.Review(ctx, a.ID, b.ID); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Review(ctx, a.ID, "20990101-000000-none-aaaa"); err == nil || !strings.Contains(err.Error(), "no capture begins with") {
		t.Errorf("an unknown one: %v", err)
	}
	if err := s.Pin(ctx, a.ID, true); err != nil {
		t.Fatal(err)
	}
	if err := s.Unreview(ctx, b.ID); err != nil {
		t.Fatal(err)
	}
	s = reopen(t, s)
	if m := must[store.Marks](t)(s.Marks(ctx, a.ID)); m.Pinned.IsZero() || m.Reviewed.IsZero() {
		t.Errorf("marks of a: %+v", m)
	}
	if m := must[map[capture.ID]store.Marks](t)(s.MarksOf(ctx, a.ID, b.ID)); len(m) != 1 {
		t.Errorf("marks %v", m)
	}
	if seen := must[bool](t)(s.Reviewed(ctx, b.ID)); seen {
		t.Error("b is reviewed")
	}
	if err := s.Pin(ctx, a.ID, false); err != nil {
		t.Fatal(err)
	}
	if m := must[store.Marks](t)(s.Marks(ctx, a.ID)); !m.Pinned.IsZero() || m.Reviewed.IsZero() {
		t.Errorf("marks of a: %+v", m)
	}
}
