//go:build !windows

package daemon

import (
	"errors"
	"syscall"
)

// isAbsent tells whether an address can't be listened on because this computer
// doesn't have it, or not yet.
func isAbsent(err error) bool { return errors.Is(err, syscall.EADDRNOTAVAIL) }
