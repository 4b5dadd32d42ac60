//go:build unix && !linux

package folder

import "syscall"

// changed isn't told apart from the last write here: its name differs from system to system.
func changed(*syscall.Stat_t) int64 { return 0 }
