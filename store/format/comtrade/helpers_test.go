package comtrade_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"faultkeep/store/capture"
	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
)

// lines ends each line as the standard wants it.
func lines(l ...string) string { return strings.Join(l, "\r\n") + "\r\n" }

// pair is a .cfg with its .dat.
func pair(cfg, dat string) []format.File {
	return []format.File{{Name: "trip.cfg", Bytes: []byte(cfg)}, {Name: "trip.dat", Bytes: []byte(dat)}}
}

// one decodes files that hold one recording.
func one(t testing.TB, files []format.File) format.Record {
	t.Helper()
	records, err := comtrade.Decoder{}.Decode(context.Background(), files, format.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(records) != 1 {
		t.Fatalf("%d records, want 1", len(records))
	}
	return records[0]
}

// strict is one that needed no liberty.
func strict(t testing.TB, files []format.File) format.Record {
	t.Helper()
	r := one(t, files)
	for _, w := range r.Warnings {
		t.Errorf("warns: %s", w)
	}
	return r
}

// folder takes down what an encoder writes.
type folder map[string]*bytes.Buffer

func (f folder) create(extension string) (io.Writer, error) {
	if f[extension] != nil {
		return nil, fmt.Errorf("%s twice", extension)
	}
	f[extension] = &bytes.Buffer{}
	return f[extension], nil
}

func (f folder) files() []format.File {
	var out []format.File
	for extension, b := range f {
		out = append(out, format.File{Name: "trip" + extension, Bytes: b.Bytes()})
	}
	return out
}

func encode(t testing.TB, e comtrade.Encoder, c capture.Capture, series []capture.Series) folder {
	t.Helper()
	f := folder{}
	if err := e.Encode(context.Background(), f.create, c, series); err != nil {
		t.Fatal(err)
	}
	return f
}

// night is a capture that the tests write: a night at Northquay.
func night(samples int, channels ...capture.Channel) capture.Capture {
	at := time.Date(2026, 11, 25, 3, 12, 7, 410e6, time.UTC)
	c := capture.Capture{
		ID: "20261125-031207-elevator-k3fq", Site: "Northquay", Drive: "elevator", Title: "Bucket elevator",
		Fault:    capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1"},
		Trigger:  capture.Trigger{Time: at, Earliest: at.Add(-130 * time.Millisecond), Latest: at.Add(130 * time.Millisecond), Index: samples * 3 / 4},
		Timing:   capture.Timing{Samples: samples, Interval: 0.001},
		Channels: channels,
	}
	c.Integrity.Whole = true
	return c
}

// same compares bit for bit, but takes any NaN for any other.
func same(a, b capture.Series) error {
	if len(a) != len(b) {
		return fmt.Errorf("%d and %d samples", len(a), len(b))
	}
	for i := range a {
		if math.Float64bits(a[i]) != math.Float64bits(b[i]) && !(math.IsNaN(a[i]) && math.IsNaN(b[i])) && !(a[i] == 0 && b[i] == 0) {
			return fmt.Errorf("sample %d: %v and %v", i, a[i], b[i])
		}
	}
	return nil
}
