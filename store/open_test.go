package store_test

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

func open(path string, change ...func(*store.Options)) (*store.Store, error) {
	o := store.Options{Path: path, Wait: 50 * time.Millisecond, Announce: func(capture.Alert) []capture.Delivery { return capture.To("log") }}
	for _, c := range change {
		c(&o)
	}
	return store.Open(ctx, o)
}

func readOnly(o *store.Options) { o.ReadOnly = true }

func TestOpenSaysWhoHoldsTheFile(t *testing.T) {
	s := storetest.New(t)
	for _, opts := range [][]func(*store.Options){nil, {readOnly}} {
		begun := time.Now()
		_, err := open(s.Path(), opts...)
		if !errors.Is(err, store.ErrInUse) {
			t.Fatalf("a second opener: %v", err)
		}
		for _, want := range []string{s.Path(), fmt.Sprintf("process %d", os.Getpid()), "Stop that process"} {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%q lacks %q", err, want)
			}
		}
		if took := time.Since(begun); took > 2*time.Second {
			t.Errorf("it took %v to say so", took)
		}
	}
	storetest.Keep(t, s, "elevator", 1, 1, 8) // the first isn't disturbed
}

func TestOpenReadOnlyTwice(t *testing.T) {
	s := storetest.New(t)
	c := storetest.Keep(t, s, "elevator", 1, 1, 8)
	path := s.Path()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	one, two := must[*store.Store](t)(open(path, readOnly)), must[*store.Store](t)(open(path, readOnly))
	defer one.Close()
	defer two.Close()
	for _, s := range []*store.Store{one, two} {
		if _, err := s.Get(ctx, c.ID); err != nil {
			t.Error(err)
		}
		if err := s.Note(ctx, store.Entry{Kind: "tripped"}); err == nil {
			t.Error("a store opened read-only is written to")
		}
	}
}

func TestOpenWhatCantBe(t *testing.T) {
	dir := t.TempDir()
	for name, c := range map[string]struct {
		path string
		opts []func(*store.Options)
		is   error
		says string
	}{
		"no folder":              {filepath.Join(dir, "none", "faultkeep.db"), nil, fs.ErrNotExist, "Make its folder"},
		"read-only, no file":     {filepath.Join(dir, "none.db"), []func(*store.Options){readOnly}, fs.ErrNotExist, "path in the config"},
		"a folder":               {dir, nil, nil, "it is a folder"},
		"read-only, not a store": {write(t, dir, "text", "hello, this is a text file"), []func(*store.Options){readOnly}, store.ErrDamaged, "isn't a store file"},
	} {
		_, err := open(c.path, c.opts...)
		var e *store.Error
		if !errors.As(err, &e) || c.is != nil && !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if b, err := os.ReadFile(filepath.Join(dir, "text")); err != nil || len(b) != 26 {
		t.Error("read-only opening changed a file")
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*damaged*")); len(left) > 0 {
		t.Errorf("read-only opening set aside %v", left)
	}
}

func write(t *testing.T, dir, name, text string) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestOpenLeavesANewerStoreAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	s := must[*store.Store](t)(open(path))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	db := storetest.Raw(t, path)
	if err := db.Update(func(tx *bolt.Tx) error { return tx.Bucket([]byte("meta")).Put([]byte("schema"), []byte("999")) }); err != nil {
		t.Fatal(err)
	}
	db.Close()
	before, _ := os.ReadFile(path)
	for _, opts := range [][]func(*store.Options){nil, {readOnly}} {
		_, err := open(path, opts...)
		if !errors.Is(err, store.ErrNewer) || !strings.Contains(err.Error(), "Update faultkeep") {
			t.Errorf("%v", err)
		}
	}
	if after, _ := os.ReadFile(path); string(after) != string(before) {
		t.Error("the newer store was changed")
	}
}

// What isn't a store is set aside, said so loudly, and watching goes on.
func TestDamagedFileIsSetAside(t *testing.T) {
	whole := func(t *testing.T) (string, capture.Capture) {
		s := storetest.New(t)
		c := storetest.Keep(t, s, "elevator", 1, 8, 4000)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		return s.Path(), c
	}
	for name, damage := range map[string]func(*testing.T, string){
		"text": func(t *testing.T, p string) {
			write(t, filepath.Dir(p), filepath.Base(p), strings.Repeat("no store ", 4000))
		},
		"one byte":     func(t *testing.T, p string) { write(t, filepath.Dir(p), filepath.Base(p), "x") },
		"empty":        func(t *testing.T, p string) { storetest.Truncate(t, p, 0) },
		"zeros":        func(t *testing.T, p string) { write(t, filepath.Dir(p), filepath.Base(p), string(make([]byte, 1<<16))) },
		"cut short":    func(t *testing.T, p string) { storetest.Truncate(t, p, 40<<10) },
		"cut to metas": func(t *testing.T, p string) { storetest.Truncate(t, p, 8192) },
		"both metas":   func(t *testing.T, p string) { storetest.Flip(t, p, 20); storetest.Flip(t, p, 4096+20) },
		"another bbolt": func(t *testing.T, p string) {
			os.Remove(p)
			db := storetest.Raw(t, p)
			defer db.Close()
			if err := db.Update(func(tx *bolt.Tx) error {
				b, err := tx.CreateBucket([]byte("meta"))
				if err != nil {
					return err
				}
				return b.Put([]byte("schema"), []byte("one"))
			}); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			path, _ := whole(t)
			damage(t, path)
			broken, _ := os.ReadFile(path)
			s, err := open(path)
			if err != nil {
				t.Fatal(err)
			}
			list := s.Damaged()
			if len(list) != 1 || list[0].Why == "" {
				t.Fatalf("damaged: %+v", list)
			}
			if aside, err := os.ReadFile(list[0].Path); err != nil || string(aside) != string(broken) {
				t.Errorf("the damaged file isn't kept as it was (%v)", err)
			}
			box := must[[]store.Message](t)(s.Outbox(ctx, "log", 0))
			if len(box) != 1 || box[0].Alert.Kind != capture.KindDamage || box[0].Alert.Severity != capture.Alarm || !strings.Contains(box[0].Alert.Text, list[0].Path) {
				t.Errorf("alert: %+v", box)
			}
			storetest.Keep(t, s, "elevator", 2, 1, 8)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			storetest.Check(t, path)
			s = must[*store.Store](t)(open(path))
			defer s.Close()
			if len(s.Damaged()) != 0 || len(must[[]store.Message](t)(s.Outbox(ctx, "log", 0))) != 2 {
				t.Error("the damage is told again")
			}
		})
	}
}

// A file that is cut short while it is open.
func TestFileCutShortWhileOpen(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("nobody can cut a file that is mapped")
	}
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	s := must[*store.Store](t)(open(path))
	defer s.Close()
	c := storetest.Keep(t, s, "elevator", 1, 8, 4000)
	rec, data := storetest.Recording("elevator", 2, 8, 4000)
	d := must[*store.Draft](t)(s.Draft(ctx, rec))
	if err := d.Append(ctx, storetest.Chunk(data, 0, 30000)); err != nil {
		t.Fatal(err)
	}
	storetest.Truncate(t, path, 12<<10)
	if _, _, err := s.Original(ctx, c.ID, capture.Data); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("reading what isn't there any more: %v, want ErrDamaged", err)
	}
	if report, err := s.Verify(ctx, nil); err != nil || report.OK() {
		t.Errorf("verify: %v, %v", report, err)
	}
	// A write may fail; at the latest the one after it works, on a fresh store.
	var kept bool
	for range 3 {
		if _, err := d.Keep(ctx, rec, storetest.Chunk(data, 0, len(data))); err == nil {
			kept = true
			break
		}
	}
	if !kept {
		t.Fatal("nothing can be kept any more")
	}
	if len(s.Damaged()) != 1 {
		t.Errorf("damaged: %v", s.Damaged())
	}
	if original, _, err := s.Original(ctx, rec.ID, capture.Data); err != nil || string(original) != string(data) {
		t.Errorf("original differs (%v)", err)
	}
	if report, err := s.Verify(ctx, nil); err != nil || !report.OK() {
		t.Errorf("verify: %v, %v", report, err)
	}
	if box := must[[]store.Message](t)(s.Outbox(ctx, "log", 0)); len(box) != 2 {
		t.Errorf("%d alerts, want the damage and the capture", len(box))
	}
}

// Somebody removes the file while it is open. That shows when the file is
// opened again, after a write that failed.
func TestFileRemovedWhileOpen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	s := must[*store.Store](t)(open(path))
	defer s.Close()
	storetest.Keep(t, s, "elevator", 1, 1, 8)
	if err := os.Remove(path); err != nil {
		t.Skip(err)
	}
	store.SetCommit(s, func(tx *bolt.Tx) error { _ = tx.Rollback(); return errors.New("the disk said no") })
	if err := s.Note(ctx, store.Entry{Kind: "tripped"}); err == nil {
		t.Error("a failed write is called done")
	}
	store.SetCommit(s, nil)
	storetest.Keep(t, s, "elevator", 2, 1, 8)
	if list := s.Damaged(); len(list) != 1 || list[0].Path != "" {
		t.Errorf("damaged: %+v", list)
	}
	box := must[[]store.Message](t)(s.Outbox(ctx, "log", 0))
	if len(box) == 0 || box[0].Alert.Kind != capture.KindDamage || !strings.Contains(box[0].Alert.Text, "removed") {
		t.Errorf("alerts: %+v", box)
	}
	if last, found, err := s.Last(ctx, "elevator"); err != nil || !found || last.Provenance.Identity != "recording 2" {
		t.Errorf("last is %s (%v)", last.ID, err)
	}
}

func TestClosedStore(t *testing.T) {
	s := storetest.New(t)
	c, _ := storetest.Recording("elevator", 1, 1, 8)
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	for range 2 {
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	for name, err := range map[string]error{
		"read":   second(s.Captures(ctx, store.Query{})),
		"write":  s.Note(ctx, store.Entry{Kind: "tripped"}),
		"draft":  second(s.Draft(ctx, c)),
		"append": d.Append(ctx, capture.Chunk{Bytes: []byte{1}}),
		"verify": second(s.Verify(ctx, nil)),
	} {
		if !errors.Is(err, store.ErrClosed) {
			t.Errorf("%s: %v, want ErrClosed", name, err)
		}
	}
	if _, err := os.Stat(s.Path() + ".owner"); err == nil {
		t.Error("the owner file is left behind")
	}
}
