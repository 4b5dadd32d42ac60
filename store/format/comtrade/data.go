package comtrade

import (
	"context"
	"fmt"
	"math"

	"faultkeep/store/capture"
	"faultkeep/store/format"
)

// input reads the samples of one recording.
type input struct {
	cfg   *config
	part  part
	notes *notes

	samples     int
	stamps      []float64 // of every sample, in counts; only where there is no sampling rate
	begin, last float64   // stamps of the first and the last sample; NaN: not told
}

// read decodes the samples: one series a channel, analog ones first.
func (in *input) read(ctx context.Context) ([]capture.Series, error) {
	rows := in.rows()
	in.samples = in.cfg.samples
	if in.samples == 0 {
		in.samples = rows
	}
	if rows < in.samples || rows == 0 {
		return nil, &format.Error{File: in.part.name, What: fmt.Sprintf("holds %d of %d samples", rows, in.samples),
			Hint: "it may still be being written, or was cut off", Err: format.ErrIncomplete}
	}
	channels := len(in.cfg.analog) + len(in.cfg.status)
	if in.samples > maxValues/channels {
		return nil, &format.Error{File: in.part.name, What: fmt.Sprintf("holds %d samples of %d channels, more than faultkeep reads", in.samples, channels),
			Hint: "export a shorter part of the recording"}
	}
	if err := in.dense(channels); err != nil {
		return nil, err
	}
	out := make([]capture.Series, channels)
	for i := range out {
		out[i] = make(capture.Series, in.samples)
	}
	if in.cfg.stamped {
		in.stamps = make([]float64, in.samples)
	}
	if in.cfg.data == ASCII {
		return out, in.ascii(ctx, out)
	}
	return out, in.binary(ctx, out)
}

// rows is how many samples the bytes hold.
func (in *input) rows() int {
	if in.cfg.data != ASCII {
		return len(in.part.bytes) / in.cfg.frame()
	}
	return countRows(in.part.bytes)
}

// dense refuses text that is much shorter than its samples can be: a row of
// missing values still has its commas. Half of them may be lacking.
func (in *input) dense(channels int) error {
	if in.cfg.data == ASCII && len(in.part.bytes) < in.samples*(channels+2)/2 {
		return &format.Error{File: in.part.name, What: fmt.Sprintf("has %d bytes, too few for %d samples of %d channels", len(in.part.bytes), in.samples, channels),
			Hint: "look whether it belongs to this .cfg"}
	}
	return nil
}

// stamp takes down the time stamp of sample i, in counts.
func (in *input) stamp(i int, counts float64) {
	if in.stamps != nil {
		in.stamps[i] = counts
	}
	if i == 0 {
		in.begin = counts
	}
	in.last = counts
}

// numbered checks the number that a sample carries.
func (in *input) numbered(i int, number float64) {
	if number != float64(i+1) {
		in.notes.add("numbers", "%s calls sample %d number %.0f; samples were counted by their place", in.part.name, i+1, number)
	}
}

// scale makes values of the numbers in a file: a × number + b.
type scale struct {
	a, b   float64
	divide bool // a holds the inverse: dividing by 100 is exact where 0.01 isn't
}

// scaleOf prepares what capture.Scaled does.
func scaleOf(a, b float64) scale {
	if inverse := 1 / a; inverse >= 2 && inverse == math.Trunc(inverse) && !math.IsInf(inverse, 0) {
		return scale{inverse, b, true}
	}
	return scale{a, b, false}
}

func (s scale) value(number float64) float64 {
	if s.divide {
		return number/s.a + s.b
	}
	return number*s.a + s.b
}
