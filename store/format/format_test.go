package format_test

import (
	"errors"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"faultkeep/store/capture"
	"faultkeep/store/format"
)

// Samples come back exactly, missing ones included, in the narrowest float.
func TestOriginalsReadBackExactly(t *testing.T) {
	series := []capture.Series{
		{0, 1, -2.5, math.NaN(), math.Inf(1)},
		{0.1, 1e300, -0.1, math.Inf(-1), 3},
	}
	e, data := format.Originals(series)
	if err := e.Check(); err != nil {
		t.Fatal(err)
	}
	if e.Channels[0].Type != capture.Float32 || e.Channels[1].Type != capture.Float64 {
		t.Errorf("types %s, %s; want float32, float64", e.Channels[0].Type, e.Channels[1].Type)
	}
	got, err := e.Decode(data, []capture.Range{{End: int64(len(data))}})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(series, got, cmpopts.EquateNaNs()); d != "" {
		t.Error(d)
	}
}

func TestErrorIsOneSentence(t *testing.T) {
	err := error(&format.Error{File: "trip.cfg", Line: 3, What: "has 7 fields, an analog channel has 13",
		Hint: "the file may be cut off", Err: format.ErrIncomplete})
	if got, want := err.Error(), "trip.cfg line 3: has 7 fields, an analog channel has 13; the file may be cut off"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if !errors.Is(err, format.ErrIncomplete) {
		t.Error("what is behind the error can't be told")
	}
}
