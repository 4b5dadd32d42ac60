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

// lockFile takes the lock that bbolt uses, without bbolt. Closing the file
// gives it back.
func lockFile(path string, wait time.Duration) (*os.File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	for end := time.Now().Add(wait); ; time.Sleep(20 * time.Millisecond) {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil {
			return f, nil
		}
		if errors.Is(err, syscall.EWOULDBLOCK) && time.Now().Before(end) {
			continue
		}
		if errors.Is(err, syscall.EWOULDBLOCK) {
			err = berrors.ErrTimeout
		}
		_ = f.Close()
		return nil, err
	}
}
