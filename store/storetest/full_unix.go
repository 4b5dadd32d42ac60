//go:build !windows

package storetest

import (
	"os/signal"
	"syscall"
	"testing"
)

// LimitFileSize makes every write of this process beyond size bytes of a file
// fail, until lift is called or the test ends. Such a test can't run in parallel.
func LimitFileSize(t testing.TB, size uint64) (lift func()) {
	t.Helper()
	var was syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
		t.Skipf("no limits on file sizes: %v", err)
	}
	signal.Ignore(syscall.SIGXFSZ) // the error alone is wanted
	limit := was
	limit.Cur = size
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
		t.Skipf("no limits on file sizes: %v", err)
	}
	lift = func() {
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
			t.Error(err)
		}
	}
	t.Cleanup(lift)
	return lift
}
