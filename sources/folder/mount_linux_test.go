package folder_test

import (
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"faultkeep/sources"
)

// A share that is mounted over the folder, goes, and isn't mounted at the next
// start: what lies below is never taken for an empty share.
func TestMountOverTheFolder(t *testing.T) {
	try := t.TempDir()
	if err := syscall.Mount("none", try, "tmpfs", 0, "size=1m"); err != nil {
		t.Skipf("a file system can't be mounted here: %v", err)
	}
	if err := syscall.Unmount(try, 0); err != nil {
		t.Fatal(err)
	}
	inTime(t, func(r *rig) {
		mount := func() { r.Helper(); r.must(syscall.Mount("none", r.at("share"), "tmpfs", 0, "size=1m")) }
		r.must(os.Mkdir(r.at("share"), 0o750))
		r.o.Config.Path = r.at("share")
		r.write("share/below.toy", file(1))
		r.watch()
		r.wantKept(1)
		mount()
		mounted := true
		defer func() {
			if mounted {
				_ = syscall.Unmount(r.at("share"), syscall.MNT_DETACH)
			}
		}()
		time.Sleep(time.Minute)
		if got := r.k.Seen(sources.SeenBlind); len(got) != 1 || !strings.Contains(got[0].Text, "isn't the folder that was there before") {
			t.Fatalf("blind spells: %+v", got)
		}
		r.write("share/a.toy", file(2))
		r.wantKept(2)
		if len(r.k.Seen(sources.SeenWatched)) != 2 {
			t.Errorf("watched %+v", r.k.Seen(sources.SeenWatched))
		}
		r.must(os.Remove(r.at("share/a.toy")))
		r.wantKept(2)
		r.end()
		r.must(syscall.Unmount(r.at("share"), 0))
		mounted = false
		r.must(os.Remove(r.at("share/below.toy")))
		r.watch() // as after a start at which the share wasn't there
		time.Sleep(time.Minute)
		if got := r.k.Seen(sources.SeenBlind); len(got) != 2 || !strings.Contains(got[1].Text, "nothing is mounted there any more") {
			t.Errorf("blind spells: %+v", got)
		}
		mount()
		mounted = true
		r.write("share/b.toy", file(3))
		r.wantKept(3)
	})
}
