package export_test

import (
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/export"
	"faultkeep/store/capture"
)

func TestNames(t *testing.T) {
	c := capture.Capture{ID: "20261125-031207-elevator-4q26", Site: "Northquay", Drive: "bucket elevator",
		Timing: capture.Timing{Samples: 100, Interval: 0.001}, Trigger: capture.Trigger{Index: 40, Time: time.Date(2026, 11, 25, 3, 12, 7, 410e6, time.UTC)}}
	// The fields' order: IEEE C37.232, from memory.
	if got, want := export.NameBy("c37.232", c, ".cff"), "261125,031207370000,0z,Northquay,bucket_elevator,Northquay,20261125-031207-elevator-4q26.cff"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if got := export.NameBy("short", c, ".csv"); got != "20261125-031207-elevator-4q26.csv" {
		t.Error(got)
	}
	c.Site, c.Drive = "a,b/../c", strings.Repeat("ä", 300)
	got := export.NameBy("c37.232", c, ".cff")
	if strings.ContainsAny(got, `/\:*?"<>|`) || strings.Count(got, ",") != 6 || len(got) > 200 {
		t.Errorf("%s", got)
	}
	if export.FindName("other") == nil || export.FindName("c37.232") != nil {
		t.Error("schemes")
	}
}
