package clock

import (
	"time"

	"golang.org/x/sys/unix"
)

// maxError asks the kernel, adjtimex(2), how far off the clock may be. It
// changes nothing and needs no privilege; a service whose unit forbids clock
// calls gets no answer.
func maxError() (d time.Duration, known bool) {
	var t unix.Timex
	if _, err := unix.Adjtimex(&t); err != nil {
		return 0, false
	}
	return time.Duration(t.Maxerror) * time.Microsecond, true
}
