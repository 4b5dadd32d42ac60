// Package export writes captures into files that others can open. A Format
// turns one capture into bytes; Save puts them at a path, whole or not at all.
package export

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"faultkeep/store/capture"
)

// Record is one capture with everything an export needs of it.
type Record struct {
	Capture  capture.Capture
	Series   []capture.Series // one a channel, in the channel's unit; NaN where missing
	Original []byte           // part capture.Data as read; bytes outside Capture.Integrity.Have are zero
	Parts    []Part           // every part of the originals as read, such as the files that were exported; for a bundle
	Study    capture.Study    // what was found; Version 0: not analysed yet
}

// Part is one part of a capture's originals.
type Part struct {
	Name  string
	Bytes []byte
}

// Format is one way to write a capture.
type Format struct {
	Name      string // as on the command line
	Extension string // with its dot
	About     string
	Write     func(io.Writer, Record) error
}

// Formats in the order in which they are listed.
var Formats = []Format{
	{"csv", ".csv", "comma-separated values (RFC 4180), a row a sample", CSV},
	{"comtrade", ".cff", "COMTRADE (IEEE C37.111-2013, IEC 60255-24), all in one file", COMTRADE},
	{"bundle", ".zip", "a zip archive of all of these with the original bytes, a picture, and the hash of every file", Bundle},
	{"json", ".json", "everything that is known, the original bytes included", JSON},
	{"parquet", ".parquet", "Apache Parquet, a row a sample, with the capture's facts as metadata", Parquet},
}

// Find is the format of that name.
func Find(name string) (Format, error) {
	var known []string
	for _, f := range Formats {
		if f.Name == name {
			return f, nil
		}
		known = append(known, f.Name)
	}
	return Format{}, fmt.Errorf("there is no format %q; there are %s", name, strings.Join(known, ", "))
}

// FileName is the name of a capture's file. IDs hold nothing that a file
// system minds; one that came from elsewhere can't leave its folder either.
func FileName(id capture.ID, extension string) string {
	name := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '-'
	}, string(id))
	return name + extension
}

// Check says what makes a record impossible to write, before anything is.
func (r Record) Check() error {
	if len(r.Series) != len(r.Capture.Channels) {
		return fmt.Errorf("capture %s has %d channels and samples of %d", r.Capture.ID, len(r.Capture.Channels), len(r.Series))
	}
	for i, s := range r.Series {
		if len(s) != r.Capture.Timing.Samples {
			return fmt.Errorf("capture %s has %d samples, channel %d has %d", r.Capture.ID, r.Capture.Timing.Samples, i+1, len(s))
		}
	}
	return nil
}

// present tells for each sample of a channel whether it was read. A number
// that the drive itself sent as not-a-number was.
func (r Record) present(channel int) func(sample int) bool {
	c := r.Capture
	if c.Integrity.Whole {
		return func(int) bool { return true }
	}
	if c.Encoding.Check() != nil || channel >= len(c.Encoding.Channels) {
		return func(i int) bool { return !math.IsNaN(r.Series[channel][i]) }
	}
	have, next := c.Integrity.Have, 0
	return func(i int) bool { // samples are asked for in ascending order
		at := c.Encoding.At(channel, i)
		for next < len(have) && have[next].End <= at.Start {
			next++
		}
		return next < len(have) && have[next].Start <= at.Start && at.End <= have[next].End
	}
}

// decimals is how many the sample intervals have: with as many the time of a
// sample reads 0.3 where it is 3 × 0.1 s.
func decimals(t capture.Timing) int {
	most := 0
	for _, r := range append([]capture.Rate{{Interval: t.Interval}}, t.Rates...) {
		_, after, _ := strings.Cut(strconv.FormatFloat(r.Interval, 'f', -1, 64), ".")
		most = max(most, len(after))
	}
	return min(most, 17)
}
