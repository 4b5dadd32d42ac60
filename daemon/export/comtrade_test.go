package export_test

import (
	"context"
	"math"
	"testing"

	"faultkeep/daemon/export"
	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
)

// What is written as COMTRADE reads back as the same samples; how the file is
// read by a program that isn't ours is tested in its own room.
func TestCOMTRADE(t *testing.T) {
	r := record(t, false)
	text := written(t, export.COMTRADE, r)
	records, err := comtrade.Decoder{}.Decode(context.Background(), []format.File{{Name: "x.cff", Bytes: []byte(text)}}, format.Options{})
	if err != nil || len(records) != 1 {
		t.Fatal(err, len(records))
	}
	got := records[0]
	if got.Trigger != r.Capture.Trigger.Index || got.Timing.Samples != 8 || math.Abs(got.Timing.Interval-0.1) > 1e-12 {
		t.Errorf("%+v, trigger %d", got.Timing, got.Trigger)
	}
	if got.Channels[0].Unit != "1/min" {
		t.Errorf("%+v", got.Channels[0])
	}
	for i, v := range got.Series[0] {
		if v != r.Series[0][i] {
			t.Errorf("sample %d is %v, was %v", i, v, r.Series[0][i])
		}
	}
}
