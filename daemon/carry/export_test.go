package carry

import (
	"io"

	"faultkeep/store/capture"
)

// ReadingBy lets tests say what is read back from the stick.
func (o Options) ReadingBy(open func(string) (io.ReadCloser, error)) Options {
	o.open = open
	return o
}

// Estimate is the room that a capture may take on the stick.
func Estimate(c capture.Capture) int64 { return estimate(c) }
