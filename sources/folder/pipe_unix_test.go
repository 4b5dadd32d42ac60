//go:build unix

package folder_test

import (
	"syscall"
	"testing"
)

func makePipe(t *testing.T, name string) {
	t.Helper()
	if err := syscall.Mkfifo(name, 0o600); err != nil {
		t.Fatal(err)
	}
}
