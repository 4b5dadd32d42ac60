package folder_test

import (
	"errors"
	"io/fs"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/folder"
	"faultkeep/store/capture"
)

// A folder that goes and comes back, with an empty one in its place meanwhile.
func TestFolderGoesAndComesBack(t *testing.T) {
	inTime(t, func(r *rig) {
		r.o.Config.Path = r.at("share")
		r.watch()
		time.Sleep(time.Minute)
		blind := func(n int, word string) {
			t.Helper()
			got := r.k.Seen(sources.SeenBlind)
			if len(got) != n {
				t.Fatalf("%d blind spells, want %d: %+v", len(got), n, got)
			}
			if o := got[n-1]; o.Drive != "exports" || o.Cause != capture.CauseUnreachable || !strings.Contains(o.Text, word) || o.Since.After(o.Time) || o.Advice == "" {
				t.Errorf("blind: %+v", o)
			}
		}
		watched := func(n int) {
			t.Helper()
			if got := r.k.Seen(sources.SeenWatched); len(got) != n {
				t.Fatalf("watched %d times, want %d", len(got), n)
			}
		}
		blind(1, "is gone")
		watched(0)
		r.write("share/a.toy", file(1))
		r.wantKept(1)
		watched(1)
		r.must(os.Rename(r.at("share"), r.at("away")))
		time.Sleep(time.Minute)
		blind(2, "is gone")
		if gap := r.k.Seen(sources.SeenBlind)[1]; gap.Time.Sub(gap.Since) > folder.DefaultScan+time.Second {
			t.Errorf("the spell begins %s before it was seen", gap.Time.Sub(gap.Since))
		}
		r.must(os.Mkdir(r.at("share"), 0o750)) // as an unmounted share leaves its place
		time.Sleep(time.Minute)
		watched(1)
		blind(3, "empty")
		r.must(os.Remove(r.at("share")))
		r.must(os.Rename(r.at("away"), r.at("share")))
		r.wantKept(1)
		watched(2)
		r.write("share/b.toy", file(2))
		r.wantKept(2)
		// Another file system with files of its own takes its place.
		r.must(os.Rename(r.at("share"), r.at("away")))
		r.write("share/c.toy", file(3))
		r.wantKept(3)
		r.must(os.Rename(r.at("share"), r.at("other")))
		r.must(os.Rename(r.at("away"), r.at("share")))
		r.wantKept(3)
	})
}

func TestFolderThatFails(t *testing.T) {
	inTime(t, func(r *rig) {
		var fail atomic.Pointer[error]
		hang := make(chan struct{})
		var hanging atomic.Bool
		r.o.Disk = disk{Disk: folder.OSDisk, look: func(string) error {
			if hanging.Load() {
				<-hang
			}
			if err := fail.Load(); err != nil {
				return *err
			}
			return nil
		}}
		failing := func(err error) { fail.Store(&err) }
		r.watch()
		r.write("a.toy", file(1))
		r.wantKept(1)
		failing(&fs.PathError{Op: "open", Path: r.path, Err: fs.ErrPermission})
		time.Sleep(time.Minute)
		failing(&fs.PathError{Op: "open", Path: r.path, Err: errors.New("input/output error")})
		time.Sleep(time.Minute)
		fail.Store(nil)
		time.Sleep(time.Minute)
		hanging.Store(true)
		time.Sleep(5 * time.Minute)
		words := []string{"may not be read", "input/output error", "doesn't answer"}
		got := r.k.Seen(sources.SeenBlind)
		if len(got) != len(words) {
			t.Fatalf("%d blind spells: %+v", len(got), got)
		}
		for i, o := range got {
			if !strings.Contains(o.Text, words[i]) {
				t.Errorf("%q lacks %q", o.Text, words[i])
			}
		}
		if now := r.f.Now(); now.Trouble == "" {
			t.Error("what is shown live doesn't tell")
		}
		r.write("b.toy", file(2))
		hanging.Store(false)
		close(hang)
		r.wantKept(2)
		if len(r.k.Seen(sources.SeenWatched)) != 3 {
			t.Errorf("watched %+v", r.k.Seen(sources.SeenWatched))
		}
	})
}

// A share that hangs doesn't hold up the end.
func TestEndsWhileAShareHangs(t *testing.T) {
	inTime(t, func(r *rig) {
		hang := make(chan struct{})
		r.o.Disk = disk{Disk: folder.OSDisk, look: func(string) error { <-hang; return nil }}
		r.watch()
		time.Sleep(time.Second)
		began := time.Now()
		r.end()
		if took := time.Since(began); took > time.Second {
			t.Errorf("it took %s", took)
		}
		close(hang)
	})
}
