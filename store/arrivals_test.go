package store_test

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	bolt "go.etcd.io/bbolt"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

func hashOf(n int) string { return fmt.Sprintf("%064x", n+1) }

// arrive keeps recording n of of in a file whose content has the given number;
// unread where of is 0.
func arrive(t *testing.T, s *store.Store, content, n, of int, files ...string) capture.Capture {
	t.Helper()
	c, data := storetest.Recording("elevator", 100*content+n, 2, 50)
	c.Provenance.Identity = capture.ContentIdentity(hashOf(content), n, of)
	c.ID = capture.NewID(c.Trigger.Time, c.Drive, c.Provenance.Identity)
	chunks := []capture.Chunk{storetest.Chunk(data, 0, len(data))}
	if of == 0 {
		c.Provenance.Identity = capture.ContentIdentity(hashOf(content), 1, 1)
		c.Origin, c.ID, c.Encoding, c.Channels, chunks = capture.Unread, c.ID.Unread(), capture.Encoding{}, nil, nil
		c.Integrity = capture.Integrity{Why: "It looks like no format."}
	}
	for i, f := range files {
		chunks = append(chunks, capture.Chunk{Part: fmt.Sprint("file:", i), Bytes: []byte(f)})
	}
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	return must[capture.Capture](t)(d.Keep(ctx, c, chunks...))
}

func unreadOnes(t *testing.T, s *store.Store) (ids []capture.ID) {
	t.Helper()
	for _, c := range must[[]capture.Capture](t)(s.Captures(ctx, store.Query{Unread: true})) {
		ids = append(ids, c.ID)
	}
	return ids
}

// What arrived is known by its content, over restarts, and after retention
// dropped the captures themselves.
func TestArrivalsAreKnown(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	s := must[*store.Store](t)(open(path))
	polled := storetest.Keep(t, s, "elevator", 1, 2, 50)
	one := arrive(t, s, 1, 1, 1)
	two := arrive(t, s, 2, 2, 3)
	want := map[int]store.Arrival{
		0: {},
		1: {IDs: map[int]capture.ID{1: one.ID}, Of: 1},
		2: {IDs: map[int]capture.ID{2: two.ID}, Of: 3},
	}
	check := func() {
		t.Helper()
		for content, a := range want {
			got := must[store.Arrival](t)(s.Arrived(ctx, hashOf(content)))
			if d := cmp.Diff(a, got); d != "" {
				t.Errorf("content %d (-want +got):\n%s", content, d)
			}
			if got.Whole() != (content == 1) {
				t.Errorf("content %d whole: %v", content, got.Whole())
			}
		}
		if last, found, err := s.Last(ctx, "elevator"); err != nil || !found || last.ID != polled.ID {
			t.Errorf("the last recording of the drive itself is %s, %v", last.ID, err)
		}
	}
	check()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = must[*store.Store](t)(open(path))
	check()
	if _, err := s.Compact(ctx, nil); err != nil {
		t.Fatal(err)
	}
	check()
	if err := store.DropCapture(s, one.ID); err != nil {
		t.Fatal(err)
	}
	check()
	if entries := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Kinds: []string{store.KindArrived}})); len(entries) != 2 {
		t.Errorf("%d entries", len(entries))
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, path)
}

// Files that couldn't be read are listed apart until they are read: the same
// content again, or a set of which they are a part.
func TestUnreadUntilRead(t *testing.T) {
	s := storetest.New(t, storetest.To("hook"))
	bad := arrive(t, s, 1, 1, 0, "bad")
	half := arrive(t, s, 2, 1, 0, "header")
	other := arrive(t, s, 3, 1, 0, "other")
	if got := unreadOnes(t, s); len(got) != 3 {
		t.Fatalf("unread: %v", got)
	}
	if list := must[[]capture.Capture](t)(s.Captures(ctx, store.Query{})); len(list) != 0 {
		t.Errorf("%d captures listed", len(list))
	}
	if _, found, err := s.Last(ctx, "elevator"); found || err != nil {
		t.Errorf("an unread file counts as the drive's last recording, %v", err)
	}
	if a := must[store.Arrival](t)(s.Arrived(ctx, hashOf(1))); !a.Unread || !a.Whole() || a.IDs[1] != bad.ID {
		t.Errorf("%+v", a)
	}
	n := must[store.Counts](t)(s.AlertCounts(ctx))
	if n.Raised != 3 {
		t.Errorf("%d alerts", n.Raised)
	}
	entries := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Kinds: []string{store.KindUnread}}))
	if len(entries) != 3 || !strings.Contains(entries[0].Text, "could not be read. Its bytes are kept: It looks like no format.") {
		t.Errorf("%+v", entries)
	}
	arrive(t, s, 1, 1, 2, "bad") // the first of two recordings: not read to its end
	if got := unreadOnes(t, s); len(got) != 3 {
		t.Errorf("unread: %v", got)
	}
	arrive(t, s, 1, 2, 2, "bad")
	if a := must[store.Arrival](t)(s.Arrived(ctx, hashOf(1))); a.Unread || !a.Whole() || len(a.IDs) != 2 {
		t.Errorf("%+v", a)
	}
	arrive(t, s, 4, 1, 1, "samples", "header")
	if d := cmp.Diff([]capture.ID{other.ID}, unreadOnes(t, s)); d != "" {
		t.Error(d)
	}
	if _, err := s.Get(ctx, half.ID); err != nil {
		t.Errorf("what was unread stays kept: %v", err)
	}
	arrive(t, s, 4, 1, 0, "samples") // too late: it was read
	if a := must[store.Arrival](t)(s.Arrived(ctx, hashOf(4))); a.Unread {
		t.Errorf("%+v", a)
	}
	if err := store.DropCapture(s, other.ID); err != nil {
		t.Fatal(err)
	}
	if got := unreadOnes(t, s); len(got) > 0 {
		t.Errorf("unread: %v", got)
	}
}

// A capture of a file that is damaged counts as not kept: the file may still be there.
func TestDamagedArrivalIsKeptAgain(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	s := must[*store.Store](t)(open(path))
	original := strings.Repeat("a file's own bytes ", 50)
	c := arrive(t, s, 1, 1, 1, original)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	flipIn(t, path, []byte(original))
	s = must[*store.Store](t)(open(path))
	if a := must[store.Arrival](t)(s.Arrived(ctx, hashOf(1))); a.Whole() {
		t.Fatalf("%+v", a)
	}
	if again := arrive(t, s, 1, 1, 1, original); again.ID != c.ID {
		t.Errorf("kept again as %s, was %s", again.ID, c.ID)
	}
	if a := must[store.Arrival](t)(s.Arrived(ctx, hashOf(1))); !a.Whole() {
		t.Errorf("%+v", a)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, path)
}

func TestFilesAreRemembered(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	s := must[*store.Store](t)(open(path))
	want := map[string]string{"": "plain", "a": "1", "b/\xff\xfe": "2", "c\x00d": "3", strings.Repeat("p", 4000): "4"}
	if _, begun, err := s.Files(ctx, "exports"); begun || err != nil {
		t.Fatalf("begun %v, %v", begun, err)
	}
	note := func(folder string, notes map[string]string) {
		t.Helper()
		if err := s.RememberFiles(ctx, folder, notes); err != nil {
			t.Fatal(err)
		}
	}
	note("exports", want)
	note("exports 2", map[string]string{"x": "y"})
	note("exports", map[string]string{"a": "", "gone": "", strings.Repeat("long", 10000): "5"})
	delete(want, "a")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = must[*store.Store](t)(open(path))
	got, begun, err := s.Files(ctx, "exports")
	if d := cmp.Diff(want, got); d != "" || !begun || err != nil {
		t.Errorf("begun %v, %v\n%s", begun, err, d)
	}
	if err := s.RememberFiles(ctx, "", nil); err == nil {
		t.Error("a folder without a name")
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, path)
}

// A store made before there were arrivals lacks their buckets: it is read as
// it is, and gets them when it is opened for writing.
func TestStoreWithoutArrivals(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	s := must[*store.Store](t)(open(path))
	c := storetest.Keep(t, s, "belt", 1, 2, 50)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	db := storetest.Raw(t, path)
	err := db.Update(func(tx *bolt.Tx) error {
		for _, name := range []string{"arrivals", "unread", "files"} {
			if err := tx.DeleteBucket([]byte(name)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil || db.Close() != nil {
		t.Fatal(err)
	}
	s = must[*store.Store](t)(open(path, readOnly))
	if a, err := s.Arrived(ctx, hashOf(1)); a.Of != 0 || err != nil {
		t.Errorf("%+v, %v", a, err)
	}
	if _, begun, err := s.Files(ctx, "exports"); begun || err != nil {
		t.Errorf("begun %v, %v", begun, err)
	}
	if got := unreadOnes(t, s); len(got) > 0 {
		t.Errorf("unread: %v", got)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, path)
	s = must[*store.Store](t)(open(path))
	if last, found, err := s.Last(ctx, "belt"); !found || last.ID != c.ID || err != nil {
		t.Errorf("last %s, %v", last.ID, err)
	}
	arrive(t, s, 1, 1, 1)
	arrive(t, s, 2, 1, 0, "x")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, path)
}

// Verify finds every damaged entry of the three.
func TestVerifyFindsDamagedArrivals(t *testing.T) {
	for _, bucket := range []string{"arrivals", "unread", "files"} {
		path := filepath.Join(t.TempDir(), "faultkeep.db")
		s := must[*store.Store](t)(open(path))
		arrive(t, s, 1, 1, 0, "x")
		if err := s.RememberFiles(ctx, "exports", map[string]string{"a": "b"}); err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		db := storetest.Raw(t, path)
		err := db.Update(func(tx *bolt.Tx) error {
			b := tx.Bucket([]byte(bucket))
			k, v := b.Cursor().First()
			bad := append([]byte(nil), v...)
			bad[len(bad)-1] ^= 1
			return b.Put(append([]byte(nil), k...), bad)
		})
		if err != nil || db.Close() != nil {
			t.Fatal(err)
		}
		report, err := storetest.Verify(path)
		if err != nil || len(report.Problems) != 1 || !strings.Contains(report.String(), "doesn't match its checksum") {
			t.Errorf("%s: %v, %s", bucket, err, report)
		}
		s = must[*store.Store](t)(open(path)) // and nothing stumbles over it
		if _, err := s.Arrived(ctx, hashOf(1)); err != nil {
			t.Errorf("%s: %v", bucket, err)
		}
		if _, _, err := s.Files(ctx, "exports"); err != nil {
			t.Errorf("%s: %v", bucket, err)
		}
		unreadOnes(t, s)
		arrive(t, s, 1, 1, 1, "x")
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
