//go:build unix

package main

import (
	"os"
	"os/signal"
	"syscall"

	"golang.org/x/term"
)

// hangups has something to receive whenever the config shall be read again:
// SIGHUP, as usual for daemons. At a terminal the signal says that its window
// was closed, and ends faultkeep as it does any program. done ends that.
func hangups() (c <-chan os.Signal, done func()) {
	ch := make(chan os.Signal, 1)
	if term.IsTerminal(int(os.Stdin.Fd())) {
		return ch, func() {}
	}
	signal.Notify(ch, syscall.SIGHUP)
	return ch, func() { signal.Stop(ch) }
}
