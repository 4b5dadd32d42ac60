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

// lockFile takes the lock that bbolt uses, without bbolt. Closing the file
// gives it back.
func lockFile(path string, wait time.Duration) (*os.File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	at := windows.Overlapped{Offset: lockedByte, OffsetHigh: lockedByte}
	for end := time.Now().Add(wait); ; time.Sleep(20 * time.Millisecond) {
		err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_FAIL_IMMEDIATELY|windows.LOCKFILE_EXCLUSIVE_LOCK, 0, 1, 0, &at)
		if err == nil {
			return f, nil
		}
		if errors.Is(err, windows.ERROR_LOCK_VIOLATION) && time.Now().Before(end) {
			continue
		}
		if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
			err = berrors.ErrTimeout
		}
		_ = f.Close()
		return nil, err
	}
}
