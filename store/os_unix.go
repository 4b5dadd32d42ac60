//go:build !windows

package store

import (
	"errors"
	"os"
	"syscall"
)

// syncDir makes a new, renamed or removed name in dir durable; bbolt doesn't.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if cerr := d.Close(); err == nil {
		err = cerr
	}
	return err
}

// rename puts a file in another's place in one step, open or not.
func rename(from, to string) error { return os.Rename(from, to) }

var fullErrors = []error{syscall.ENOSPC, syscall.EDQUOT, syscall.EFBIG}

func readOnlyVolume(err error) bool { return errors.Is(err, syscall.EROFS) }
