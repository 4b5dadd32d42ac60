package storetest

import (
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
)

// FailWrites puts a device that is always full in the place of the open file
// at path: every write and sync through the handles that this process has on
// it now fails, as after a disk lost its connection. A file opened anew works.
func FailWrites(t testing.TB, path string) {
	t.Helper()
	full, err := os.OpenFile("/dev/full", os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer full.Close()
	path, err = filepath.EvalSymlinks(path)
	if err != nil {
		t.Fatal(err)
	}
	handles, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range handles {
		name, err := os.Readlink(filepath.Join("/proc/self/fd", h.Name()))
		if err != nil || name != path {
			continue
		}
		fd, err := strconv.Atoi(h.Name())
		if err != nil {
			t.Fatal(err)
		}
		if err := syscall.Dup3(int(full.Fd()), fd, syscall.O_CLOEXEC); err != nil {
			t.Fatal(err)
		}
	}
}
