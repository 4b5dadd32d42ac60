package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// content is everything that a store says, to compare two stores by.
func content(t testing.TB, s *store.Store) map[string]any {
	t.Helper()
	out := map[string]any{}
	list := must[[]capture.Capture](t)(s.Captures(ctx, store.Query{}))
	out["captures"] = list
	for _, c := range list {
		for _, p := range c.Integrity.Parts {
			b, have, err := s.Original(ctx, c.ID, p.Name)
			out[string(c.ID)+p.Name] = []any{b, have, err}
		}
		out[string(c.ID)+" marks"] = must[store.Marks](t)(s.Marks(ctx, c.ID))
	}
	for _, d := range must[[]*store.Draft](t)(s.Drafts(ctx, "")) {
		id := string(d.Opening().ID)
		out["draft "+id] = []any{d.Opening(), d.Have()}
		for _, r := range d.Have() {
			b, ok, err := d.Bytes(capture.Data, r.Start, int(r.Len()))
			out[fmt.Sprint("draft ", id, r)] = []any{b, ok, err}
		}
	}
	out["ledger"] = must[[]store.Entry](t)(s.Ledger(ctx, store.Query{}))
	out["misses"] = must[[]capture.Miss](t)(s.Misses(ctx, store.Query{}))
	out["spells"] = must[[]capture.Spell](t)(s.Spells(ctx, store.Query{}))
	for _, sink := range []string{"log", "control-room"} {
		out["outbox "+sink] = must[[]store.Message](t)(s.Outbox(ctx, sink, 0))
	}
	out["counts"] = must[store.Counts](t)(s.AlertCounts(ctx))
	out["visit"] = must[time.Time](t)(s.Visit(ctx, "page"))
	return out
}

func sameContent(t testing.TB, want, got map[string]any) {
	t.Helper()
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("content (-want +got):\n%.3000s", diff)
	}
}

// still stands still, so that opening twice makes no blind spell.
func still(o *store.Options) { o.Now = func() time.Time { return specimenEnd } }

// fatStore is a store with a specimen's content, most of whose file is free.
func fatStore(t *testing.T) *store.Store {
	t.Helper()
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	specimen(t, path)
	s := must[*store.Store](t)(open(path, still))
	var gone []capture.Capture
	for n := range 48 { // 128 kB each
		gone = append(gone, old(t, s, "fan", n, 16000))
	}
	for _, c := range gone[:47] {
		if err := store.DropCapture(s, c.ID); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Pin(ctx, gone[47].ID, true); err != nil {
		t.Fatal(err)
	}
	return s
}

func bothWays(t *testing.T, test func(t *testing.T, s *store.Store)) {
	for name, prepare := range map[string]func(*store.Store){"open": func(*store.Store) {}, "closed": store.RenameClosed} {
		t.Run("renamed "+name, func(t *testing.T) {
			s := fatStore(t)
			prepare(s)
			test(t, s)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			storetest.Check(t, s.Path())
			if left, _ := filepath.Glob(s.Path() + ".*"); len(left) > 0 {
				t.Errorf("left behind: %v", left)
			}
		})
	}
}

func TestCompact(t *testing.T) {
	bothWays(t, func(t *testing.T, s *store.Store) {
		want := content(t, s)
		draft, data := storetest.Recording("slew", 7, 3, 200)
		d := must[*store.Draft](t)(s.Draft(ctx, draft)) // a handle from before
		var last, total int64
		out := must[store.Compacted](t)(s.Compact(ctx, func(d, n int64) {
			if d < last || d > n {
				t.Errorf("progress %d after %d of %d", d, last, n)
			}
			last, total = d, n
		}))
		info, err := os.Stat(s.Path())
		if err != nil {
			t.Fatal(err)
		}
		if out.Before < 6*mib || out.After > 5*mib || out.After > info.Size() || total == 0 || out.Pause <= 0 || out.Took < out.Pause {
			t.Errorf("%+v, and the file has %d bytes", out, info.Size())
		}
		sameContent(t, want, content(t, s))
		// Everything goes on: numbers, drafts, keeping, and a second opener is kept out.
		if _, err := open(s.Path()); !errors.Is(err, store.ErrInUse) {
			t.Errorf("a second opener: %v", err)
		}
		must[capture.Capture](t)(d.Keep(ctx, draft, storetest.Chunk(data, 0, len(data))))
		if last, _, err := s.Last(ctx, "slew"); err != nil || last.ID != draft.ID {
			t.Errorf("last %s (%v)", last.ID, err)
		}
		box := must[[]store.Message](t)(s.Outbox(ctx, "log", 0))
		for i := 1; i < len(box); i++ {
			if box[i].Seq <= box[i-1].Seq {
				t.Errorf("message %d after %d", box[i].Seq, box[i-1].Seq)
			}
		}
		must[store.Compacted](t)(s.Compact(ctx, nil)) // and again
		if report := must[store.Report](t)(s.Verify(ctx, nil)); !report.OK() {
			t.Error(report)
		}
	})
}

// Writers and readers of every kind go on during compactions and backups;
// nothing of what they wrote is lost, and each backup is of one moment.
func TestCompactWhileEverythingGoesOn(t *testing.T) {
	bothWays(t, func(t *testing.T, s *store.Store) {
		const each = 40
		stop, begun := make(chan struct{}), make(chan struct{})
		var writers, copies sync.WaitGroup
		for w := range 3 {
			writers.Go(func() {
				<-begun
				drive := fmt.Sprint("writer ", w)
				for n := range each {
					c, data := storetest.Recording(drive, n, 4, 500+n*90)
					d, err := s.Draft(ctx, c)
					if err == nil && n%2 == 0 {
						err = d.Append(ctx, storetest.Chunk(data, 100, 1500))
					}
					if err == nil && n%4 == 0 {
						err = d.Append(ctx, storetest.Chunk(data, 1500, 3000))
					}
					if err == nil {
						_, err = d.Keep(ctx, c, storetest.Chunk(data, 0, len(data)))
					}
					if err == nil && n%3 == 0 {
						err = store.DropCapture(s, c.ID)
					}
					if err == nil && n%3 == 1 {
						err = s.Pin(ctx, c.ID, true)
					}
					err = errors.Join(err,
						s.Note(ctx, store.Entry{Time: at(float64(n)), Drive: drive, Kind: "tripped"}),
						s.Blind(ctx, drive, at(float64(2*n)), at(float64(2*n)), capture.CauseUnreachable, ""),
						s.Watched(ctx, drive, at(float64(2*n+1))))
					if err != nil {
						t.Errorf("%s, recording %d: %v", drive, n, err)
						return
					}
				}
			})
		}
		dir := t.TempDir()
		backups := 0
		copies.Go(func() {
			for {
				if _, err := s.Compact(ctx, nil); err != nil {
					t.Errorf("compact: %v", err)
				}
				select {
				case <-stop:
					return
				default:
				}
				if _, err := s.Backup(ctx, filepath.Join(dir, fmt.Sprint("backup ", backups)), nil); err != nil {
					t.Errorf("backup: %v", err)
				}
				backups++
			}
		})
		copies.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				if list, err := s.Captures(ctx, store.Query{Limit: 5}); err != nil || len(list) == 0 {
					t.Errorf("reading: %d (%v)", len(list), err)
				}
			}
		})
		close(begun)
		writers.Wait()
		close(stop)
		copies.Wait()
		for w := range 3 {
			drive := fmt.Sprint("writer ", w)
			list := must[[]capture.Capture](t)(s.Captures(ctx, store.Query{Drives: []string{drive}}))
			if want := each - (each+2)/3; len(list) != want {
				t.Errorf("%d captures of %s, want %d", len(list), drive, want)
			}
			for n := range each {
				c, data := storetest.Recording(drive, n, 4, 500+n*90)
				b, _, err := s.Original(ctx, c.ID, capture.Data)
				if gone := n%3 == 0; gone != errors.Is(err, store.ErrNotFound) || !gone && !bytes.Equal(b, data) {
					t.Errorf("%s, recording %d (%v)", drive, n, err)
				}
			}
			if n := len(must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Drives: []string{drive}, Kinds: []string{"tripped"}}))); n != each {
				t.Errorf("%d entries of %s", n, drive)
			}
			if n := len(must[[]capture.Spell](t)(s.Spells(ctx, store.Query{Drives: []string{drive}}))); n != each {
				t.Errorf("%d spells of %s", n, drive)
			}
		}
		if report := must[store.Report](t)(s.Verify(ctx, nil)); !report.OK() {
			t.Error(report)
		}
		t.Logf("%d compactions, %d backups", backups+1, backups)
		for n := range backups {
			storetest.Check(t, filepath.Join(dir, fmt.Sprint("backup ", n)))
		}
	})
}

// A compaction that can't be done changes nothing and says why in a sentence.
func TestCompactionThatFails(t *testing.T) {
	for name, x := range map[string]struct {
		spoil func(t *testing.T, s *store.Store) context.Context
		says  string
	}{
		"stopped": {func(*testing.T, *store.Store) context.Context {
			ctx, stop := context.WithCancel(ctx)
			stop()
			return ctx
		}, "canceled"},
		"something in the way": {func(t *testing.T, s *store.Store) context.Context {
			if err := os.MkdirAll(s.Path()+".compacting/x", 0o700); err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { os.RemoveAll(s.Path() + ".compacting") })
			return ctx
		}, ".compacting"},
		"damaged": {func(t *testing.T, s *store.Store) context.Context {
			c := must[[]capture.Capture](t)(s.Captures(ctx, store.Query{Drives: []string{"fan"}}))[0]
			_, data := storetest.Recording("fan", 47, 4, 16000)
			if c.Drive != "fan" {
				t.Fatal(c.ID)
			}
			store.RenameClosed(s)
			flipIn(t, s.Path(), data[100:140])
			return ctx
		}, ""}, // damaged bytes are copied as they are, and found by verify
	} {
		t.Run(name, func(t *testing.T) {
			s := fatStore(t)
			want := content(t, s)
			ctx := x.spoil(t, s)
			_, err := s.Compact(ctx, nil)
			if x.says == "" {
				if err != nil {
					t.Error(err)
				}
				report := must[store.Report](t)(s.Verify(context.Background(), nil))
				if len(report.Problems) != 1 {
					t.Errorf("verify: %s", report)
				}
				s.Close()
				return
			}
			if err == nil || !strings.Contains(err.Error(), x.says) || strings.Contains(err.Error(), "\n") {
				t.Errorf("%v", err)
			}
			sameContent(t, want, content(t, s))
			old(t, s, "elevator", 500, 100)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			storetest.Check(t, s.Path())
		})
	}
	s := storetest.New(t)
	path := s.Path()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	ro := must[*store.Store](t)(open(path, readOnly))
	defer ro.Close()
	if _, err := ro.Compact(ctx, nil); err == nil || !strings.Contains(err.Error(), "only open for reading") {
		t.Error(err)
	}
}

// What a compaction left that was killed is removed, and the store is as it was.
func TestLeftoversOfACompaction(t *testing.T) {
	name := "fault*keep[1].db"
	if runtime.GOOS == "windows" {
		name = "faultkeep.db" // no stars there, and nothing to escape brackets with
	}
	path := filepath.Join(t.TempDir(), name)
	specimen(t, path)
	for _, name := range []string{path + ".compacting", path + ".backup-123"} {
		if err := os.WriteFile(name, []byte("half of a copy"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s := must[*store.Store](t)(open(path, still))
	holdsSpecimen(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if all, _ := os.ReadDir(filepath.Dir(path)); len(all) != 1 {
		t.Errorf("left: %v", all)
	}
}
