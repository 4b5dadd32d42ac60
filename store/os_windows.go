package store

import (
	"errors"
	"syscall"
)

// syncDir does nothing: Windows has no way to flush a folder, and NTFS
// journals names by itself.
func syncDir(string) error { return nil }

// From winerror.h.
const (
	errorWriteProtect   = syscall.Errno(19)
	errorHandleDiskFull = syscall.Errno(39)
	errorDiskFull       = syscall.Errno(112)
)

var fullErrors = []error{errorDiskFull, errorHandleDiskFull}

func readOnlyVolume(err error) bool { return errors.Is(err, errorWriteProtect) }
