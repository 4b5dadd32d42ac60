package sources

import (
	"errors"
	"fmt"
)

// Error is a failure that an operator may have to act on. It reads as one
// sentence: what was tried, on what, what happened, what to do.
type Error struct {
	Op        string // "read holding 100–224"
	Object    string // "10.0.0.11:502 unit 1"
	Err       error
	Hint      string // what to do; may be empty
	Permanent bool   // trying again can't help until somebody changes something
}

func (e *Error) Error() string {
	s := fmt.Sprintf("%s: %s: %v", e.Object, e.Op, e.Err)
	if e.Hint != "" {
		s += ". " + e.Hint
	}
	return s
}

func (e *Error) Unwrap() error { return e.Err }

// IsPermanent tells whether trying again is pointless until somebody changes something.
func IsPermanent(err error) bool {
	var e *Error
	return errors.As(err, &e) && e.Permanent
}

// ErrKept is returned by Keeper.Draft for a recording that is a capture already.
var ErrKept = errors.New("this recording is kept already")
