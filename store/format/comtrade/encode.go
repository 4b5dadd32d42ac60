package comtrade

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"slices"

	"faultkeep/store/capture"
	"faultkeep/store/format"
)

// Encoder writes COMTRADE, as strictly as the edition wants it.
type Encoder struct {
	Edition Edition // 0: 2013; 1999 is the other one that is written
	// Data says how samples are written. Empty: in the narrowest type that
	// gives every one of them back exactly; where none does, in FLOAT32
	// (2013) or ASCII (1999), rounded, and the .hdr says which channels are.
	Data   Data
	Single bool // one .cff instead of .cfg, .dat, .hdr and .inf; only in the 2013 edition
}

var _ format.Encoder = Encoder{}

// Name is "comtrade".
func (Encoder) Name() string { return "comtrade" }

// Encode writes a capture. Channels come in their order, analog ones before
// status channels: each bit of a digital channel is one, and where words of
// one weren't read, a further status channel "… not read" is 1. Times are in UTC.
func (e Encoder) Encode(ctx context.Context, create func(extension string) (io.Writer, error), c capture.Capture, series []capture.Series) error {
	if e.Edition == 0 {
		e.Edition = Edition2013
	}
	if err := e.check(c, series); err != nil {
		return err
	}
	p, err := e.plan(ctx, c, series)
	if err != nil {
		return err
	}
	w := &writer{plan: p, capture: c, create: create}
	if e.Single {
		return w.single(ctx)
	}
	// What describes the samples comes last: whoever waits for it finds them.
	for _, f := range []struct {
		extension string
		write     func(context.Context) error
	}{{".dat", w.data}, {".hdr", w.header}, {".inf", w.information}, {".cfg", w.configuration}} {
		if err := w.file(ctx, f.extension, f.write); err != nil {
			return err
		}
	}
	return nil
}

func (e Encoder) check(c capture.Capture, series []capture.Series) error {
	later := e.Data == Binary32 || e.Data == Float32
	switch {
	case e.Edition != Edition1999 && e.Edition != Edition2013:
		return fmt.Errorf("COMTRADE is written in the editions 1999 and 2013, not %d", e.Edition)
	case e.Data != "" && !slices.Contains([]Data{ASCII, Binary, Binary32, Float32}, e.Data):
		return fmt.Errorf("COMTRADE has no file type %q; use ASCII, BINARY, BINARY32 or FLOAT32", e.Data)
	case e.Edition == Edition1999 && later:
		return fmt.Errorf("%s came with the 2013 edition of COMTRADE; 1999 has ASCII and BINARY", e.Data)
	case e.Edition == Edition1999 && e.Single:
		return fmt.Errorf("single .cff files came with the 2013 edition of COMTRADE")
	case len(c.Channels) == 0 || c.Timing.Samples <= 0:
		return fmt.Errorf("the capture has no samples that COMTRADE could hold")
	case len(series) != len(c.Channels):
		return fmt.Errorf("the capture has %d channels, but there are samples of %d", len(c.Channels), len(series))
	}
	for i, s := range series {
		if len(s) != c.Timing.Samples {
			return fmt.Errorf("channel %s has %d samples, the capture %d", c.Channels[i].Name, len(s), c.Timing.Samples)
		}
	}
	return checkTiming(c.Timing)
}

func checkTiming(t capture.Timing) error {
	rates := t.Rates
	if len(rates) == 0 {
		rates = []capture.Rate{{End: t.Samples, Interval: t.Interval}}
	}
	end := 0
	for _, r := range rates {
		if !(r.Interval > 0) || math.IsInf(r.Interval, 0) || math.IsInf(1/r.Interval, 0) || r.End <= end {
			return fmt.Errorf("the capture's sample interval of %g s up to sample %d can't be written", r.Interval, r.End)
		}
		end = r.End
	}
	if end != t.Samples {
		return fmt.Errorf("the capture's sample intervals hold for %d of %d samples", end, t.Samples)
	}
	return nil
}

// writer writes the parts of one recording.
type writer struct {
	*plan
	capture capture.Capture
	create  func(extension string) (io.Writer, error)
	out     *bufio.Writer // of the part that is being written
}

func (w *writer) file(ctx context.Context, extension string, write func(context.Context) error) error {
	to, err := w.create(extension)
	if err != nil {
		return err
	}
	w.out = bufio.NewWriterSize(to, 1<<16)
	if err := write(ctx); err != nil {
		return err
	}
	return w.out.Flush()
}

// single writes the sections of a .cff in the standard's order.
func (w *writer) single(ctx context.Context) error {
	return w.file(ctx, ".cff", func(ctx context.Context) error {
		data := fmt.Sprintf("DAT %s", w.plan.data)
		if w.plan.data != ASCII {
			data += fmt.Sprintf(": %d", w.frame()*int64(w.timing.Samples))
		}
		w.inside = true
		for _, s := range []struct {
			kind  string
			write func(context.Context) error
		}{{"CFG", w.configuration}, {"INF", w.information}, {"HDR", w.header}, {data, w.samples}} {
			w.line("--- file type: %s ---", s.kind)
			if err := s.write(ctx); err != nil {
				return err
			}
		}
		return nil
	})
}

// line writes a line of text. A bufio.Writer keeps its first error for Flush.
func (w *writer) line(form string, args ...any) {
	fmt.Fprintf(w.out, form, args...)
	_, _ = w.out.WriteString("\r\n")
}
