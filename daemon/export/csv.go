package export

import (
	"bufio"
	"encoding/csv"
	"io"
	"math"
	"strconv"
	"strings"

	"faultkeep/store/capture"
)

// CSV writes one row a sample as RFC 4180 has it: lines end in CR LF, the
// first is the header.
//
//   - The first column, "t [s]", is the time from the trigger sample, which is at 0.
//   - Then comes one column a channel, in the order of the recording, headed
//     "name [unit]", or "name" where there is no unit.
//   - Numbers are the shortest that read back as exactly the same value.
//     Digital words are integers, lowest bit first in the channel's bits.
//   - A sample that wasn't read is an empty field; what the drive itself sent
//     as not a number is NaN, +Inf or -Inf.
//
// A name that a spreadsheet would take for a formula gets a leading apostrophe.
func CSV(w io.Writer, r Record) error {
	if err := r.Check(); err != nil {
		return err
	}
	buffered := bufio.NewWriterSize(w, 64<<10)
	out := csv.NewWriter(buffered)
	out.UseCRLF = true
	row := []string{"t [s]"}
	present := make([]func(int) bool, len(r.Series))
	for i, c := range r.Capture.Channels {
		row = append(row, heading(c))
		present[i] = r.present(i)
	}
	if err := out.Write(row); err != nil {
		return err
	}
	places := decimals(r.Capture.Timing)
	for i := range r.Capture.Timing.Samples {
		row = append(row[:0], fixed(r.Capture.At(i), places))
		for k, s := range r.Series {
			cell := ""
			if present[k](i) {
				cell = number(r.Capture.Channels[k], s[i])
			}
			row = append(row, cell)
		}
		if err := out.Write(row); err != nil {
			return err
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return err
	}
	return buffered.Flush()
}

func heading(c capture.Channel) string {
	name := c.Name
	if c.Unit != "" {
		name += " [" + c.Unit + "]"
	}
	if name != "" && strings.ContainsRune("=+-@\t\r", rune(name[0])) {
		return "'" + name
	}
	return name
}

// number is the shortest text that reads back as v.
func number(c capture.Channel, v float64) string {
	if c.Digital() && v == math.Trunc(v) && math.Abs(v) < 1<<63 {
		return strconv.FormatInt(int64(v), 10)
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

// fixed shows a number with so many decimals, zero without a sign.
func fixed(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}
