package store_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"math"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	bolt "go.etcd.io/bbolt"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

func TestKeepWhole(t *testing.T) {
	now := storetest.Night.Add(61900 * time.Millisecond) // the recording is number 1, ready 60.5 s after Night
	s := storetest.New(t, storetest.To("log", "webhook"), storetest.Now(func() time.Time { return now }))
	c, data := storetest.Recording("elevator", 1, 8, 1000)
	head, foot := []byte("head as read"), []byte("and a foot")
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	kept := must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, len(data)), capture.Chunk{Part: "header", Bytes: head}, capture.Chunk{Part: "footer", Bytes: foot}))

	one, two, three := sha256.Sum256(data), sha256.Sum256(foot), sha256.Sum256(head)
	all := sha256.Sum256(slices.Concat(one[:], two[:], three[:]))
	want := c
	want.Schema, want.Site, want.Kept = capture.Schema, "Northquay", now
	want.Integrity.Have = []capture.Range{{Start: 0, End: 16000}}
	want.Integrity.Parts = []capture.Part{
		{Name: capture.Data, Size: 16000, SHA256: hex.EncodeToString(one[:])},
		{Name: "footer", Size: 10, SHA256: hex.EncodeToString(two[:])},
		{Name: "header", Size: 12, SHA256: hex.EncodeToString(three[:])},
	}
	want.Integrity.SHA256 = hex.EncodeToString(all[:])
	if diff := cmp.Diff(want, kept); diff != "" {
		t.Errorf("kept (-want +got):\n%s", diff)
	}
	stored := must[capture.Capture](t)(s.Get(ctx, c.ID))
	if diff := cmp.Diff(want, stored); diff != "" {
		t.Errorf("stored (-want +got):\n%s", diff)
	}
	last, found, err := s.Last(ctx, "elevator")
	if err != nil || !found || last.ID != c.ID {
		t.Errorf("last is %s, %v, %v", last.ID, found, err)
	}
	if part, _, err := s.Original(ctx, c.ID, "header"); err != nil || !bytes.Equal(part, head) {
		t.Errorf("part header is %q, %v", part, err)
	}
	if b, ok, err := s.Bytes(ctx, c.ID, capture.Data, 15990, 10); err != nil || !ok || !bytes.Equal(b, data[15990:]) {
		t.Errorf("the last bytes: %v %v", ok, err)
	}
	if _, _, err := s.Original(ctx, c.ID, "tail"); err == nil {
		t.Error("a part that isn't there can be read")
	}

	sentence := "Bucket elevator tripped: Continuous overcurrent, output 1 (2311). Kept whole, 1.4 s after it was ready."
	for _, sink := range []string{"log", "webhook"} {
		box := must[[]store.Message](t)(s.Outbox(ctx, sink, 0))
		if len(box) != 1 {
			t.Fatalf("%d messages to %s, want 1", len(box), sink)
		}
		want := capture.Alert{ID: string(c.ID) + "/capture", Time: c.Trigger.Time, Kind: capture.KindCapture, Severity: capture.Alarm,
			Site: "Northquay", Drive: "elevator", Title: "Bucket elevator", Fault: c.Fault, Capture: c.ID, Text: sentence}
		if diff := cmp.Diff(want, box[0].Alert); diff != "" {
			t.Errorf("alert (-want +got):\n%s", diff)
		}
	}
	entries := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{}))
	if diff := cmp.Diff([]store.Entry{{Time: now, Drive: "elevator", Kind: store.KindKept, Text: sentence, Capture: c.ID, Fault: c.Fault}}, entries); diff != "" {
		t.Errorf("ledger (-want +got):\n%s", diff)
	}
	select {
	case <-s.Waiting():
	default:
		t.Error("nobody is told that a message waits")
	}
}

func TestKeepPartial(t *testing.T) {
	s := storetest.New(t, storetest.To("log"))
	c, data := storetest.Recording("elevator", 1, 1, 2000) // trigger at sample 1500 of 1 ms
	c.Fault.Severity = capture.Info
	c.Integrity.Whole = false
	c.Integrity.Why = "The drive was reset 0.3 s after the recording was ready"
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	if err := d.Append(ctx, storetest.Chunk(data, 1400, 3602)); err != nil {
		t.Fatal(err)
	}
	kept := must[capture.Capture](t)(d.Keep(ctx, c))
	if got := kept.Wholeness(); got != "partial, −0.8…+0.3 s" {
		t.Errorf("wholeness %q", got)
	}
	box := must[[]store.Message](t)(s.Outbox(ctx, "log", 0))
	if len(box) != 1 || box[0].Alert.Kind != capture.KindPartial || box[0].Alert.Severity != capture.Warning {
		t.Fatalf("alert %+v", box)
	}
	for _, want := range []string{"Kept in part, −0.8…+0.3 s around the trigger", "The drive was reset 0.3 s after the recording was ready."} {
		if !strings.Contains(box[0].Alert.Text, want) {
			t.Errorf("%q lacks %q", box[0].Alert.Text, want)
		}
	}
	got, series, err := s.Samples(ctx, c.ID)
	if err != nil || got.ID != c.ID || len(series) != 1 || len(series[0]) != 2000 {
		t.Fatalf("samples: %v", err)
	}
	for _, i := range []int{0, 699, 1801, 1999} {
		if !math.IsNaN(series[0][i]) {
			t.Errorf("sample %d is missing and reads %v", i, series[0][i])
		}
	}
	for _, i := range []int{700, 1500, 1800} {
		want := float64(int16(uint16(data[2*i])<<8|uint16(data[2*i+1]))) * 0.1
		if math.Abs(series[0][i]-want) > 1e-9 {
			t.Errorf("sample %d = %v, want %v", i, series[0][i], want)
		}
	}
	original, have, err := s.Original(ctx, c.ID, capture.Data)
	if err != nil || len(original) != 4000 || len(have) != 1 || !bytes.Equal(original[:1400], make([]byte, 1400)) {
		t.Errorf("original has %d bytes, %v, %v", len(original), have, err)
	}
}

func TestKeepWithoutAnyData(t *testing.T) {
	s := storetest.New(t, storetest.To("log"))
	c, _ := storetest.Recording("elevator", 1, 1, 100)
	c.Integrity = capture.Integrity{}
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	kept := must[capture.Capture](t)(d.Keep(ctx, c))
	if kept.Integrity.Size != 200 || kept.Integrity.Whole || kept.Integrity.Why == "" || len(kept.Integrity.Have) != 0 {
		t.Errorf("integrity %+v", kept.Integrity)
	}
	if _, series, err := s.Samples(ctx, c.ID); err != nil || !math.IsNaN(series[0][0]) {
		t.Errorf("samples of nothing: %v", err)
	}
}

func TestKeepingTwiceIsHarmless(t *testing.T) {
	s := storetest.New(t, storetest.To("log"))
	c, data := storetest.Recording("elevator", 1, 2, 100)
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	all := storetest.Chunk(data, 0, len(data))
	one := must[capture.Capture](t)(d.Keep(ctx, c, all))
	two := must[capture.Capture](t)(d.Keep(ctx, c, all))
	if diff := cmp.Diff(one, two); diff != "" {
		t.Errorf("the second time (-first +second):\n%s", diff)
	}
	if _, err := s.Draft(ctx, c); !errors.Is(err, store.ErrKept) {
		t.Errorf("a draft of what is kept: %v, want ErrKept", err)
	}
	s = reopen(t, s)
	if _, err := s.Draft(ctx, c); !errors.Is(err, store.ErrKept) {
		t.Errorf("after reopening: %v, want ErrKept", err)
	}
	if n := len(must[[]store.Message](t)(s.Outbox(ctx, "log", 0))); n != 1 {
		t.Errorf("%d alerts, want 1", n)
	}
	if n := len(must[[]store.Entry](t)(s.Ledger(ctx, store.Query{}))); n != 1 {
		t.Errorf("%d ledger entries, want 1", n)
	}
}

// A commit that reports an error has either been written or not. Keep finds
// out which, and a failed Keep can be done again.
func TestCommitThatFails(t *testing.T) {
	disk := errors.New("the disk said no")
	for _, c := range []struct {
		name   string
		commit func(*bolt.Tx) error
		kept   bool
	}{
		{"written all the same", func(tx *bolt.Tx) error { _ = tx.Commit(); return disk }, true},
		{"not written", func(tx *bolt.Tx) error { _ = tx.Rollback(); return disk }, false},
		{"died halfway", func(tx *bolt.Tx) error { panic("page 7 is nonsense") }, false},
		{"died and can't be closed", nil, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := storetest.New(t, storetest.To("log"))
			rec, data := storetest.Recording("elevator", 1, 2, 100)
			d := must[*store.Draft](t)(s.Draft(ctx, rec))
			if err := d.Append(ctx, storetest.Chunk(data, 0, 40)); err != nil {
				t.Fatal(err)
			}
			if c.commit == nil {
				if runtime.GOOS == "windows" {
					t.Skip("the file stays mapped, and can't be removed at the end")
				}
				c.commit = func(*bolt.Tx) error { store.PoisonLocked(s); panic("page 7 is nonsense") }
			}
			store.SetCommit(s, c.commit)
			_, err := d.Keep(ctx, rec, storetest.Chunk(data, 40, 400))
			store.SetCommit(s, nil)
			if c.kept != (err == nil) {
				t.Fatalf("Keep: %v", err)
			}
			if _, gerr := s.Get(ctx, rec.ID); c.kept != (gerr == nil) {
				t.Errorf("in the store: %v", gerr)
			}
			if n := len(must[[]*store.Draft](t)(s.Drafts(ctx, ""))); (n == 0) != c.kept {
				t.Errorf("%d drafts", n)
			}
			kept := must[capture.Capture](t)(d.Keep(ctx, rec, storetest.Chunk(data, 40, 400)))
			if !kept.Integrity.Whole {
				t.Error("not whole")
			}
			if n := len(must[[]store.Message](t)(s.Outbox(ctx, "log", 0))); n != 1 {
				t.Errorf("%d alerts, want 1", n)
			}
		})
	}
}

// What doesn't read back is not kept: Keep fails, nothing of it stays, nobody
// is alerted, and the recording, still in the drive, can be kept again.
func TestReadBackThatDiffers(t *testing.T) {
	for name, flip := range map[string]func(c capture.Capture, data []byte) []byte{
		"data":        func(_ capture.Capture, data []byte) []byte { return data[300:340] },
		"description": func(c capture.Capture, _ []byte) []byte { return []byte(`"identity":"recording 1"`) },
	} {
		s := storetest.New(t, storetest.To("log"))
		c, data := storetest.Recording("elevator", 1, 2, 4000)
		d := must[*store.Draft](t)(s.Draft(ctx, c))
		store.SetCommit(s, func(tx *bolt.Tx) error {
			err := tx.Commit()
			flipIn(t, s.Path(), flip(c, data))
			store.SetCommitLocked(s, nil)
			return err
		})
		if _, err := d.Keep(ctx, c, storetest.Chunk(data, 0, len(data))); !errors.Is(err, store.ErrDamaged) {
			t.Fatalf("%s: Keep: %v, want ErrDamaged", name, err)
		}
		if list := must[[]capture.Capture](t)(s.Captures(ctx, store.Query{})); len(list) != 0 {
			t.Errorf("%s: it is listed", name)
		}
		if box := must[[]store.Message](t)(s.Outbox(ctx, "log", 0)); len(box) != 0 {
			t.Errorf("%s: somebody is alerted: %s", name, box[0].Alert.Text)
		}
		d = must[*store.Draft](t)(s.Draft(ctx, c))
		must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, len(data))))
		if counts := must[store.Counts](t)(s.AlertCounts(ctx)); counts != (store.Counts{Raised: 1, Waiting: 1}) {
			t.Errorf("%s: %+v", name, counts)
		}
	}
}

// The outcome of a commit can't be seen for a while, since its file can't be
// opened. Keeping again finds that it was kept, and alerts nobody twice.
func TestOutcomeSeenLater(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("nobody can move a file that is open")
	}
	s := storetest.New(t, storetest.To("log"))
	c, data := storetest.Recording("elevator", 1, 2, 100)
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	away := s.Path() + ".away"
	store.SetCommit(s, func(tx *bolt.Tx) error {
		_ = tx.Commit()
		if err := errors.Join(os.Rename(s.Path(), away), os.Mkdir(s.Path(), 0o700)); err != nil {
			t.Error(err)
		}
		return errors.New("the disk said no")
	})
	if _, err := d.Keep(ctx, c, storetest.Chunk(data, 0, 400)); err == nil {
		t.Error("kept, and nobody could see it")
	}
	if _, err := s.Captures(ctx, store.Query{}); err == nil {
		t.Error("a store that can't be opened can be read")
	}
	store.SetCommit(s, nil)
	if err := errors.Join(os.Remove(s.Path()), os.Rename(away, s.Path())); err != nil {
		t.Fatal(err)
	}
	must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, 400)))
	if n := len(must[[]store.Message](t)(s.Outbox(ctx, "log", 0))); n != 1 {
		t.Errorf("%d alerts, want 1", n)
	}
}

// What is in hand is made durable, even while faultkeep is stopping.
func TestKeepOutlastsItsContext(t *testing.T) {
	s := storetest.New(t)
	c, data := storetest.Recording("elevator", 1, 2, 100)
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	ended, end := context.WithCancel(ctx)
	end()
	if err := d.Append(ended, storetest.Chunk(data, 0, 40)); err != nil {
		t.Errorf("append: %v", err)
	}
	if _, err := d.Keep(ended, c, storetest.Chunk(data, 40, 400)); err != nil {
		t.Errorf("keep: %v", err)
	}
}
