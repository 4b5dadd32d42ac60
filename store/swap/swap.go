// Package swap puts files in each other's places, also while somebody looks at
// them: on Windows a file that is open can't be renamed or replaced, and
// scanners for viruses and readers have every file open for moments.
package swap

import (
	"os"
	"time"
)

// patience is how long a file that is held is tried again.
const patience = 2 * time.Second

// File gives a file another name in one step; what has that name is replaced.
func File(from, to string) error {
	return Retry(func() error { return os.Rename(from, to) })
}

// Retry does something with files, and again for a while where somebody has
// one of them open. Elsewhere than on Windows nobody is in the way.
func Retry(do func() error) error { return retry(do, held) }

func retry(do func() error, held func(error) bool) error {
	for end, wait := time.Now().Add(patience), 5*time.Millisecond; ; wait = min(2*wait, 100*time.Millisecond) {
		err := do()
		if err == nil || !held(err) || time.Now().After(end) {
			return err
		}
		time.Sleep(wait)
	}
}
