//go:build unix

package folder_test

import (
	"os"
	"strings"
	"syscall"
	"testing"

	"faultkeep/sources"
)

func makePipe(t *testing.T, name string) {
	t.Helper()
	if err := syscall.Mkfifo(name, 0o600); err != nil {
		t.Fatal(err)
	}
}

// A folder below that may not be read is told by its name, and the rest is kept.
func TestFolderBelowThatMayNotBeRead(t *testing.T) {
	if os.Getuid() == 0 {
		t.Skip("root may read everywhere")
	}
	inTime(t, func(r *rig) {
		r.write("locked/a.toy", file(1))
		r.write("open/b.toy", file(2))
		r.must(os.Chmod(r.at("locked"), 0))
		r.watch()
		r.wantKept(1)
		if got := r.k.Seen(sources.SeenBlind); len(got) != 1 || !strings.Contains(got[0].Text, "locked may not be read") {
			t.Errorf("blind spells: %+v", got)
		}
		r.must(os.Chmod(r.at("locked"), 0o750)) //nolint:gosec // a folder is entered by its x
		r.wantKept(2)
	})
}
