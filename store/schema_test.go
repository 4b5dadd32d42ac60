package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	bolt "go.etcd.io/bbolt"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/coverage"
	"faultkeep/store/storetest"
)

// Stores that every earlier version wrote: everything in them is found, by
// reading them as they are and after bringing them up to date.
func TestEveryEarlierSchema(t *testing.T) {
	for n := 1; n <= store.Schema; n++ {
		t.Run(fmt.Sprint("schema ", n), func(t *testing.T) {
			old, err := os.ReadFile(fmt.Sprintf("testdata/schema-%d.db", n))
			if err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(t.TempDir(), "faultkeep.db")
			if err := os.WriteFile(path, old, 0o600); err != nil {
				t.Fatal(err)
			}
			at := func(o *store.Options) { o.Now = func() time.Time { return specimenEnd } }
			s := must[*store.Store](t)(open(path, readOnly, at))
			holdsSpecimen(t, s)
			if m, err := s.MarksOf(ctx, specimenID(0)); err != nil || len(m) != 0 {
				t.Errorf("marks %v (%v)", m, err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if b, _ := os.ReadFile(path); !bytes.Equal(b, old) {
				t.Error("reading changed the file")
			}

			s = must[*store.Store](t)(open(path, at))
			holdsSpecimen(t, s)
			facts := must[[]coverage.Facts](t)(s.Facts(ctx, store.Query{Drives: []string{"belt"}}))
			since := storetest.Night
			if n == 1 { // what the pages had noted
				since = since.Add(-time.Hour)
			}
			if len(facts) != 1 || len(facts[0].Known) != 1 || !facts[0].Known[0].From.Equal(since) {
				t.Errorf("facts of the belt: %+v", facts)
			}
			// What goes on, goes on.
			c, data := storetest.Recording("slew", 7, 3, 200)
			d := must[*store.Draft](t)(s.Draft(ctx, c))
			if diff := cmp.Diff([]capture.Range{{Start: 100, End: 640}}, d.Have()); diff != "" {
				t.Errorf("the draft has (-want +got):\n%s", diff)
			}
			must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, len(data))))
			if err := s.Pin(ctx, c.ID, true); err != nil {
				t.Error(err)
			}
			if err := s.Watched(ctx, "slew", specimenEnd.Add(time.Minute)); err != nil {
				t.Error(err)
			}
			if spells := must[[]capture.Spell](t)(s.Spells(ctx, store.Query{Drives: []string{"slew"}})); len(spells) == 0 || spells[0].To.IsZero() {
				t.Errorf("the open spell didn't end: %+v", spells)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			storetest.Check(t, path)
			mustHaveOpenSpellLast(t, old)
			copies, _ := filepath.Glob(path + ".schema-*")
			if n == store.Schema {
				if len(copies) > 0 {
					t.Errorf("copies of a store that is up to date: %v", copies)
				}
				return
			}
			if len(copies) != 1 || copies[0] != fmt.Sprintf("%s.schema-%d", path, n) {
				t.Fatalf("copies %v", copies)
			}
			s = must[*store.Store](t)(open(copies[0], readOnly, at))
			holdsSpecimen(t, s)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			storetest.Check(t, copies[0])
		})
	}
}

// mustHaveOpenSpellLast looks from outside at what opening does to the slew's
// spell: wherever the clock had put its beginning, it lies behind all others.
func mustHaveOpenSpellLast(t *testing.T, old []byte) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	if err := os.WriteFile(path, old, 0o600); err != nil {
		t.Fatal(err)
	}
	s := must[*store.Store](t)(open(path, func(o *store.Options) { o.Now = func() time.Time { return specimenEnd } }))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	db := storetest.Raw(t, path)
	defer db.Close()
	if err := db.View(func(tx *bolt.Tx) error {
		c := tx.Bucket([]byte("spells")).Cursor()
		prefix := []byte("slew\x00")
		k, _ := c.Seek(prefix)
		if want := append(bytes.Clone(prefix), "\xff\xff\xff\xff\xff\xff\xff\xff\x00"...); !bytes.Equal(k, want) {
			t.Errorf("the open spell lies at %x, want %x", k, want)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
}

func specimenID(n int) capture.ID {
	c, _ := storetest.Recording("elevator", n, 3, 200)
	return c.ID
}

// holdsSpecimen compares a store with what specimen writes.
func holdsSpecimen(t *testing.T, s *store.Store) {
	t.Helper()
	night := storetest.Night
	for n, have := range []capture.Range{{Start: 0, End: 1200}, {Start: 0, End: 1200}, {Start: 600, End: 1200}} {
		c, data := storetest.Recording("elevator", n, 3, 200)
		got := must[capture.Capture](t)(s.Find(ctx, string(c.ID)))
		if got.Integrity.Whole != (n < 2) || !got.Kept.Equal(specimenEnd) || got.Title != "Bucket elevator" || got.Fault != c.Fault || got.Site != "Northquay" {
			t.Errorf("capture %d: %+v", n, got)
		}
		clear(data[:have.Start])
		if b, there, err := s.Original(ctx, c.ID, capture.Data); err != nil || !bytes.Equal(b, data) || !cmp.Equal(there, []capture.Range{have}) {
			t.Errorf("original of capture %d: %v (%v)", n, there, err)
		}
		if b, _, err := s.Original(ctx, c.ID, "header"); err != nil || string(b) != fmt.Sprint("header of ", n) {
			t.Errorf("header of capture %d: %q (%v)", n, b, err)
		}
		if _, series, err := s.Samples(ctx, c.ID); err != nil || len(series) != 3 || len(series[0]) != 200 {
			t.Errorf("samples of capture %d (%v)", n, err)
		}
	}
	if list := must[[]capture.Capture](t)(s.Captures(ctx, store.Query{})); len(list) != 3 || list[0].ID != specimenID(2) {
		t.Errorf("%d captures", len(list))
	}
	if last, found, err := s.Last(ctx, "elevator"); err != nil || !found || last.ID != specimenID(2) {
		t.Errorf("last %s (%v)", last.ID, err)
	}
	if drafts := must[[]*store.Draft](t)(s.Drafts(ctx, "")); len(drafts) != 1 || drafts[0].Opening().Drive != "slew" {
		t.Errorf("drafts %v", drafts)
	}
	misses := must[[]capture.Miss](t)(s.Misses(ctx, store.Query{}))
	if len(misses) != 1 || misses[0].Drive != "belt" || misses[0].Fault != overcurrent || misses[0].Cause != capture.CauseReset || !misses[0].Time.Equal(night.Add(40*time.Minute)) {
		t.Errorf("misses %+v", misses)
	}
	if spells := must[[]capture.Spell](t)(s.Spells(ctx, store.Query{Drives: []string{"belt"}, Until: specimenEnd})); len(spells) != 1 ||
		!spells[0].From.Equal(night.Add(10*time.Minute)) || !spells[0].To.Equal(night.Add(19*time.Minute)) || spells[0].Text != "no answer" {
		t.Errorf("spells of the belt %+v", spells)
	}
	if spells := must[[]capture.Spell](t)(s.Spells(ctx, store.Query{Drives: []string{"slew"}, Until: specimenEnd})); len(spells) != 1 ||
		!spells[0].From.Equal(night.Add(20*time.Minute)) || !spells[0].To.IsZero() || spells[0].Cause != capture.CauseNotArmed {
		t.Errorf("spells of the slew %+v", spells)
	}
	if entries := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Kinds: []string{store.KindKept, store.KindMissed, "wrote"}})); len(entries) != 5 {
		t.Errorf("%d ledger entries", len(entries))
	}
	if box := must[[]store.Message](t)(s.Outbox(ctx, "control-room", 0)); len(box) != 4 || box[0].Seq != 2 || box[0].Tries != 1 || box[0].LastError != "503" {
		t.Errorf("outbox %+v", box)
	}
	want := store.Counts{Raised: 8, Accepted: 1, Waiting: 6, Aside: 1}
	if counts := must[store.Counts](t)(s.AlertCounts(ctx)); counts != want {
		t.Errorf("counts %+v, want %+v", counts, want)
	}
	if seen := must[time.Time](t)(s.Visit(ctx, "page")); !seen.Equal(night.Add(30 * time.Minute)) {
		t.Errorf("visited %v", seen)
	}
}

// A made-up layout in which misses were called losses and had no checksum.
func TestMigrationIsAllOrNothing(t *testing.T) {
	made := func(t *testing.T) string {
		path := filepath.Join(t.TempDir(), "faultkeep.db")
		db := storetest.Raw(t, path)
		defer db.Close()
		if err := db.Update(func(tx *bolt.Tx) error {
			meta, err := tx.CreateBucket([]byte("meta"))
			if err != nil {
				return err
			}
			losses, err := tx.CreateBucket([]byte("losses"))
			return errors.Join(err, meta.Put([]byte("schema"), []byte("1")), losses.Put([]byte("a"), []byte("reset")))
		}); err != nil {
			t.Fatal(err)
		}
		return path
	}
	rename := func(tx *bolt.Tx) error {
		to, err := tx.CreateBucket([]byte("misses"))
		if err != nil {
			return err
		}
		return errors.Join(to.Put([]byte("a"), tx.Bucket([]byte("losses")).Get([]byte("a"))), tx.DeleteBucket([]byte("losses")))
	}
	look := func(t *testing.T, path string) (schema, loss, miss string) {
		db := storetest.Raw(t, path)
		defer db.Close()
		if err := db.View(func(tx *bolt.Tx) error {
			schema = string(tx.Bucket([]byte("meta")).Get([]byte("schema")))
			if b := tx.Bucket([]byte("losses")); b != nil {
				loss = string(b.Get([]byte("a")))
			}
			if b := tx.Bucket([]byte("misses")); b != nil {
				miss = string(b.Get([]byte("a")))
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		return schema, loss, miss
	}
	upper := func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte("misses"))
		return b.Put([]byte("a"), bytes.ToUpper(b.Get([]byte("a"))))
	}
	fails := func(*bolt.Tx) error { return errors.New("it doesn't fit") }

	t.Run("two steps", func(t *testing.T) {
		path := made(t)
		if err := store.Migrate(path, 3, map[int]func(*bolt.Tx) error{1: rename, 2: upper}); err != nil {
			t.Fatal(err)
		}
		if schema, loss, miss := look(t, path); schema != "3" || loss != "" || miss != "RESET" {
			t.Errorf("schema %s, loss %q, miss %q", schema, loss, miss)
		}
		if schema, loss, _ := look(t, path+".schema-1"); schema != "1" || loss != "reset" {
			t.Errorf("the copy: schema %s, loss %q", schema, loss)
		}
	})
	for name, x := range map[string]struct {
		steps map[int]func(*bolt.Tx) error
		says  string
	}{
		"the second fails":      {map[int]func(*bolt.Tx) error{1: rename, 2: fails}, "schema 2 to 3: it doesn't fit"},
		"the second is missing": {map[int]func(*bolt.Tx) error{1: rename}, "nothing leads on from schema 2"},
	} {
		t.Run(name, func(t *testing.T) {
			path := made(t)
			if err := store.Migrate(path, 3, x.steps); err == nil || !strings.Contains(err.Error(), x.says) {
				t.Fatal(err)
			}
			if schema, loss, miss := look(t, path); schema != "1" || loss != "reset" || miss != "" {
				t.Errorf("schema %s, loss %q, miss %q: not as before", schema, loss, miss)
			}
		})
	}
	t.Run("no room for the copy", func(t *testing.T) {
		path := made(t)
		if err := os.Mkdir(path+".schema-1.part", 0o700); err != nil {
			t.Fatal(err)
		}
		err := store.Migrate(path, 2, map[int]func(*bolt.Tx) error{1: rename})
		if err == nil || !strings.Contains(err.Error(), "a copy must be put beside it first") || strings.Contains(err.Error(), "\n") {
			t.Fatal(err)
		}
		if schema, loss, _ := look(t, path); schema != "1" || loss != "reset" {
			t.Errorf("schema %s, loss %q: not as before", schema, loss)
		}
	})
}
