package store

import (
	"errors"
	"os"
	"syscall"

	"golang.org/x/sys/windows"

	"faultkeep/store/swap"
)

// syncDir does nothing: Windows has no way to flush a folder, and NTFS
// journals names by itself.
func syncDir(string) error { return nil }

// rename puts a file in another's place in one step and waits until that is on
// the disk.
func rename(from, to string) error {
	source, err := windows.UTF16PtrFromString(from)
	if err != nil {
		return err
	}
	target, err := windows.UTF16PtrFromString(to)
	if err != nil {
		return err
	}
	err = swap.Retry(func() error {
		return windows.MoveFileEx(source, target, windows.MOVEFILE_REPLACE_EXISTING|windows.MOVEFILE_WRITE_THROUGH)
	})
	if err != nil {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
	}
	return nil
}

// From winerror.h.
const (
	errorWriteProtect   = syscall.Errno(19)
	errorHandleDiskFull = syscall.Errno(39)
	errorDiskFull       = syscall.Errno(112)
)

var fullErrors = []error{errorDiskFull, errorHandleDiskFull}

func readOnlyVolume(err error) bool { return errors.Is(err, errorWriteProtect) }
