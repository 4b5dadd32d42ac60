package delimited

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"faultkeep/store/capture"
)

// Encoder writes a capture as comma separated values after RFC 4180, in UTF-8,
// lines ended by CR LF. The first line names the columns, each with its unit in
// square brackets: first the time in seconds from the trigger, 0 at the trigger
// sample, rounded to 12 digits; then the channels. Every sample follows on a
// line of its own, with as many digits as tell its 64-bit float from all others; a missing one is an
// empty cell. Words of bits are whole numbers; the bits' names aren't in it.
// Decoder reads all of that back.
type Encoder struct{}

// Name is the format's name on a command line.
func (Encoder) Name() string { return "csv" }

// Encode writes one file, ".csv".
func (Encoder) Encode(ctx context.Context, create func(string) (io.Writer, error), c capture.Capture, series []capture.Series) error {
	if len(series) != len(c.Channels) {
		return fmt.Errorf("%d channels have %d series of samples", len(c.Channels), len(series))
	}
	file, err := create(".csv")
	if err != nil {
		return err
	}
	out := bufio.NewWriterSize(file, 64<<10)
	line := append([]byte(nil), "time [s]"...)
	for _, ch := range c.Channels {
		line = append(append(line, ','), quote(heading(ch))...)
	}
	if _, err := out.Write(append(line, '\r', '\n')); err != nil {
		return err
	}
	for i := range c.Timing.Samples {
		if i%4096 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		line = strconv.AppendFloat(line[:0], c.At(i), 'g', 12, 64)
		for _, s := range series {
			line = append(line, ',')
			if i < len(s) && !math.IsNaN(s[i]) {
				line = strconv.AppendFloat(line, s[i], 'g', -1, 64)
			}
		}
		if _, err := out.Write(append(line, '\r', '\n')); err != nil {
			return err
		}
	}
	return out.Flush()
}

// heading is a channel's name and unit, such that nameAndUnit takes them apart again.
func heading(ch capture.Channel) string {
	if ch.Unit != "" {
		return ch.Name + " [" + ch.Unit + "]"
	}
	if name, unit := nameAndUnit(ch.Name); name != ch.Name || unit != "" {
		return ch.Name + " []"
	}
	return ch.Name
}

// quote is a cell as RFC 4180, section 2, wants it.
func quote(s string) string {
	if strings.ContainsAny(s, "\",\r\n") || s != strings.TrimSpace(s) {
		return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
	}
	return s
}
