package storetest

import (
	"fmt"
	"syscall"
	"testing"
)

// SmallVolume is a folder on a volume of its own with size bytes. It needs
// root; without it the test is skipped.
func SmallVolume(t testing.TB, size int64) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%d", size)); err != nil {
		t.Skipf("no volume can be mounted here: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return dir
}
