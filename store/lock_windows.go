package store

import (
	"errors"
	"os"
	"time"

	berrors "go.etcd.io/bbolt/errors"
	"golang.org/x/sys/windows"
)

// bbolt locks the last byte that a file could have.
const lockedByte = 1<<32 - 1

func unlock(f *os.File) error {
	return windows.UnlockFileEx(windows.Handle(f.Fd()), 0, 1, 0, &windows.Overlapped{Offset: lockedByte, OffsetHigh: lockedByte})
}

// lockOnce takes and gives back the lock that bbolt uses, without bbolt.
func lockOnce(path string, wait time.Duration) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	at := windows.Overlapped{Offset: lockedByte, OffsetHigh: lockedByte}
	for end := time.Now().Add(wait); ; time.Sleep(20 * time.Millisecond) {
		err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_FAIL_IMMEDIATELY|windows.LOCKFILE_EXCLUSIVE_LOCK, 0, 1, 0, &at)
		if err == nil {
			return windows.UnlockFileEx(windows.Handle(f.Fd()), 0, 1, 0, &at)
		}
		if !errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
			return err
		}
		if time.Now().After(end) {
			return berrors.ErrTimeout
		}
	}
}
