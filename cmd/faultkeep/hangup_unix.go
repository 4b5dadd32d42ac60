//go:build unix

package main

import (
	"os"
	"os/signal"
	"syscall"
)

// hangups has something to receive whenever the config shall be read again:
// SIGHUP, as usual for daemons. done ends that.
func hangups() (c <-chan os.Signal, done func()) {
	ch := make(chan os.Signal, 1)
	signal.Notify(ch, syscall.SIGHUP)
	return ch, func() { signal.Stop(ch) }
}
