package parquet_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"testing"
	"time"

	"faultkeep/store/capture"
	"faultkeep/store/format/parquet"
)

var nan, inf = math.NaN(), math.Inf(1)

// encoded is a capture as a Parquet file.
func encoded(t testing.TB, e parquet.Encoder, c capture.Capture, series []capture.Series) []byte {
	t.Helper()
	var b bytes.Buffer
	create := func(extension string) (io.Writer, error) {
		if extension != ".parquet" || b.Len() > 0 {
			return nil, fmt.Errorf("a file %q", extension)
		}
		return &b, nil
	}
	if err := e.Encode(context.Background(), create, c, series); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// night is a capture of these samples, a channel each, 1 ms apart.
func night(channels []capture.Channel, series ...capture.Series) (capture.Capture, []capture.Series) {
	c := capture.Capture{ID: "20261125-031207-elevator-4q26", Site: "Northquay", Drive: "elevator", Title: "Bucket elevator",
		Fault:     capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1"},
		Channels:  channels,
		Integrity: capture.Integrity{Whole: true, SHA256: "5f70bf18a086007016e948b04aed3b82103a36bea41755b6cddfaf10ace3c6ef"}}
	c.Timing.Interval = 0.001
	if len(series) > 0 {
		c.Timing.Samples = len(series[0])
	}
	c.Trigger.Index = c.Timing.Samples / 3
	c.Trigger.Earliest = time.Date(2026, 11, 25, 3, 12, 7, 280e6, time.UTC)
	c.Trigger.Time = c.Trigger.Earliest.Add(130 * time.Millisecond)
	c.Trigger.Latest = c.Trigger.Earliest.Add(260 * time.Millisecond)
	return c, series
}
