package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"faultkeep/store"
	"faultkeep/store/storetest"
)

func TestBackupAndRestore(t *testing.T) {
	s := fatStore(t)
	want := content(t, s)
	dir := t.TempDir()
	backup := filepath.Join(dir, "backup.db")
	if _, err := s.Backup(ctx, backup, nil); err != nil {
		t.Fatal(err)
	}
	var sent bytes.Buffer
	size := int64(-1)
	if err := s.BackupTo(ctx, &sent, func(n int64) { size = n }); err != nil || size != int64(sent.Len()) {
		t.Errorf("sent %d of %d (%v)", sent.Len(), size, err)
	}
	streamed := filepath.Join(dir, "streamed.db")
	if err := os.WriteFile(streamed, sent.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := s.BackupTo(ctx, failingWriter{}, func(int64) {}); !errors.Is(err, io.ErrClosedPipe) {
		t.Errorf("a reader that goes away: %v", err)
	}
	if left, _ := filepath.Glob(s.Path() + ".backup*"); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	if _, err := s.Backup(ctx, backup, nil); !errors.Is(err, os.ErrExist) {
		t.Errorf("over another file: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{backup, streamed} {
		storetest.Check(t, path)
		b := must[*store.Store](t)(open(path, readOnly, still))
		sameContent(t, want, content(t, b))
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}

	to := filepath.Join(t.TempDir(), "faultkeep.db")
	steps := map[string]bool{}
	out, err := store.Restore(ctx, backup, to, false, func(step string, _, _ int64) { steps[step] = true })
	if err != nil || out.Captures != 4 || out.Drafts != 1 || out.Replaced != "" {
		t.Fatalf("%+v (%v)", out, err)
	}
	if len(steps) != 3 {
		t.Errorf("told of %v", steps)
	}
	storetest.Check(t, to)
	restored := must[*store.Store](t)(open(to, still))
	got := content(t, restored)
	entries := got["ledger"].([]store.Entry)
	if entries[0].Kind != store.KindRestored || !strings.Contains(entries[0].Text, "backup.db") {
		t.Errorf("ledger begins with %+v", entries[0])
	}
	got["ledger"] = entries[1:]
	sameContent(t, want, got)

	// Not over a store, nor under the feet of whoever has it open.
	for _, x := range []struct {
		force bool
		is    error
		says  string
	}{{false, store.ErrThere, "--force"}, {true, store.ErrInUse, fmt.Sprint("process ", os.Getpid())}} {
		if _, err := store.Restore(ctx, backup, to, x.force, nil); !errors.Is(err, x.is) || !strings.Contains(err.Error(), x.says) {
			t.Errorf("force %v: %v", x.force, err)
		}
	}
	added := old(t, restored, "elevator", 700, 100)
	if err := restored.Close(); err != nil {
		t.Fatal(err)
	}
	out = must[store.Restored](t)(store.Restore(ctx, backup, to, true, nil))
	storetest.Check(t, to)
	storetest.Check(t, out.Replaced)
	aside := must[*store.Store](t)(open(out.Replaced, readOnly))
	defer aside.Close()
	if _, err := aside.Get(ctx, added.ID); err != nil {
		t.Errorf("the store put aside lacks what was kept last: %v", err)
	}
	if left, _ := filepath.Glob(to + ".restoring*"); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

type failingWriter struct{}

func (failingWriter) Write([]byte) (int, error) { return 0, io.ErrClosedPipe }

func TestRestoreRefuses(t *testing.T) {
	dir := t.TempDir()
	good := filepath.Join(dir, "good.db")
	specimen(t, good)
	copyOf := func(name string) string {
		b, err := os.ReadFile(good)
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	flipped, short := copyOf("flipped.db"), copyOf("short.db")
	_, data := storetest.Recording("elevator", 1, 3, 200)
	flipIn(t, flipped, data[400:440])
	storetest.Truncate(t, short, 20000)
	for name, x := range map[string]struct{ backup, says string }{
		"a flipped byte": {flipped, "nothing was restored: Capture "},
		"cut short":      {short, "it was cut short"},
		"not a backup":   {write(t, dir, "notes.txt", strings.Repeat("notes ", 2000)), "isn't a store file"},
		"nothing":        {filepath.Join(dir, "none.db"), "faultkeep backup"},
		"itself":         {filepath.Join(dir, "good.db"), "one and the same file"},
		"a folder":       {dir, "it is a folder"},
	} {
		t.Run(name, func(t *testing.T) {
			to := good
			if name != "itself" {
				to = filepath.Join(t.TempDir(), "faultkeep.db")
			}
			_, err := store.Restore(ctx, x.backup, to, true, nil)
			if err == nil || !strings.Contains(err.Error(), x.says) || strings.Contains(err.Error(), "\n") {
				t.Errorf("%v", err)
			}
			if left, _ := filepath.Glob(to + "*"); name != "itself" && len(left) > 0 {
				t.Errorf("left behind: %v", left)
			}
		})
	}
	holds := must[*store.Store](t)(open(good, readOnly, still))
	defer holds.Close()
	holdsSpecimen(t, holds)
}

// Old backups are restored by a newer faultkeep.
func TestRestoreAnEarlierSchema(t *testing.T) {
	to := filepath.Join(t.TempDir(), "faultkeep.db")
	must[store.Restored](t)(store.Restore(ctx, "testdata/schema-1.db", to, false, nil))
	storetest.Check(t, to)
	s := must[*store.Store](t)(open(to, still))
	defer s.Close()
	holdsSpecimen(t, s)
	if left, _ := filepath.Glob(to + ".*schema*"); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}
