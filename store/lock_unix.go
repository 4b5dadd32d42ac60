//go:build !windows

package store

import (
	"errors"
	"os"
	"syscall"
	"time"

	berrors "go.etcd.io/bbolt/errors"
)

func unlock(f *os.File) error { return syscall.Flock(int(f.Fd()), syscall.LOCK_UN) }

// lockOnce takes and gives back the lock that bbolt uses, without bbolt.
func lockOnce(path string, wait time.Duration) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	for end := time.Now().Add(wait); ; time.Sleep(20 * time.Millisecond) {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil || !errors.Is(err, syscall.EWOULDBLOCK) {
			return err
		}
		if time.Now().After(end) {
			return berrors.ErrTimeout
		}
	}
}
