//go:build unix

package config

import "golang.org/x/sys/unix"

// writable asks the system, so that nothing has to be created for the answer.
func writable(folder string) bool { return unix.Access(folder, unix.W_OK|unix.X_OK) == nil }
