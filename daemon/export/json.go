package export

import (
	"bufio"
	"encoding/json"
	"io"
	"math"
	"strconv"

	"faultkeep/store/capture"
)

// document is the JSON export. Its times are in seconds.
type document struct {
	Format   string          `json:"format"` // "faultkeep-capture"
	Version  int             `json:"version"`
	Capture  capture.Capture `json:"capture"`
	Time     axis            `json:"time"`
	Channels []channel       `json:"channels"`
	Original []byte          `json:"original_base64"` // part capture.Data as read, zeros where bytes are missing

	Findings []capture.Finding `json:"findings"` // null: not analysed yet
}

// axis gives the time of sample i: start_s + i × interval_s, or, where there
// are rates, the sum of the intervals of the samples before it. The trigger is at 0.
type axis struct {
	Start    float64 `json:"start_s"`
	Interval float64 `json:"interval_s"`
	Count    int     `json:"count"`
	Trigger  int     `json:"trigger_index"`

	Rates []capture.Rate `json:"rates,omitempty"`
}

type channel struct {
	capture.Channel
	Samples samples `json:"samples"`
}

// samples are one channel's samples. What wasn't read is null; what the drive
// itself sent as not a number is "NaN", "+Inf" or "-Inf".
type samples struct {
	series  capture.Series
	present func(int) bool
}

func (v samples) MarshalJSON() ([]byte, error) {
	b := append(make([]byte, 0, 8*len(v.series)+2), '[')
	for i, n := range v.series {
		if i > 0 {
			b = append(b, ',')
		}
		switch {
		case !v.present(i):
			b = append(b, "null"...)
		case math.IsNaN(n) || math.IsInf(n, 0):
			b = strconv.AppendQuote(b, strconv.FormatFloat(n, 'g', -1, 64))
		default:
			b = strconv.AppendFloat(b, n, 'g', -1, 64)
		}
	}
	return append(b, ']'), nil
}

// JSON writes everything that is known of a capture as one object: "capture"
// as faultkeep keeps it, "time" and "channels" with the samples decoded, and
// "original_base64" with the bytes as read.
func JSON(w io.Writer, r Record) error {
	if err := r.Check(); err != nil {
		return err
	}
	c := r.Capture
	d := document{Format: "faultkeep-capture", Version: 1, Capture: c, Original: r.Original,
		Time:     axis{Start: c.At(0), Interval: c.Timing.Interval, Count: c.Timing.Samples, Trigger: c.Trigger.Index, Rates: c.Timing.Rates},
		Channels: []channel{}, Findings: r.Study.Findings}
	for i, ch := range c.Channels {
		d.Channels = append(d.Channels, channel{ch, samples{r.Series[i], r.present(i)}})
	}
	buffered := bufio.NewWriterSize(w, 64<<10)
	out := json.NewEncoder(buffered)
	out.SetEscapeHTML(false)
	if err := out.Encode(d); err != nil {
		return err
	}
	return buffered.Flush()
}
