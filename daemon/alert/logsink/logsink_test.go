package logsink_test

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/alert/logsink"
	"faultkeep/store/capture"
)

func TestOneLineAnAlert(t *testing.T) {
	for _, c := range []struct {
		alert capture.Alert
		want  map[string]any
	}{
		{capture.Alert{ID: "a1", Time: time.Date(2026, 11, 25, 3, 12, 7, 0, time.UTC), Kind: capture.KindCapture, Severity: capture.Alarm,
			Site: "Northquay", Drive: "bucket-elevator", Title: "Bucket elevator", Capture: "20261125-031207-bucket-elevator-k3fq",
			Fault: capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent"}, Text: "Kept whole,\n1.4 s after it was ready."},
			map[string]any{"level": "ERROR", "msg": "Kept whole,\n1.4 s after it was ready.", "alert": "a1", "at": "2026-11-25T03:12:07Z",
				"kind": "capture", "severity": "alarm", "site": "Northquay", "drive": "bucket-elevator", "title": "Bucket elevator",
				"fault": "Continuous overcurrent (2311)", "capture": "20261125-031207-bucket-elevator-k3fq",
				"page": "http://127.0.0.1:8377/capture/20261125-031207-bucket-elevator-k3fq"}},
		{capture.Alert{ID: "a2", Kind: capture.KindDrift, Severity: capture.Warning, Drive: "belt-3", Text: "x"},
			map[string]any{"level": "WARN", "msg": "x", "alert": "a2", "kind": "drift", "severity": "warning",
				"drive": "belt-3", "page": "http://127.0.0.1:8377/drive/belt-3"}},
		{capture.Alert{ID: "a3", Kind: capture.KindMiss, Severity: capture.Info, Drive: "belt-3", Text: "x"},
			map[string]any{"level": "INFO", "msg": "x", "alert": "a3", "kind": "miss", "severity": "info",
				"drive": "belt-3", "fault": "Fault without a code", "page": "http://127.0.0.1:8377/drive/belt-3"}},
	} {
		var out bytes.Buffer
		s := logsink.New(slog.New(slog.NewJSONHandler(&out, nil)), "http://127.0.0.1:8377")
		if err := s.Send(t.Context(), c.alert); err != nil {
			t.Fatal(err)
		}
		if strings.Count(out.String(), "\n") != 1 {
			t.Errorf("not one line: %q", out.String())
		}
		var got map[string]any
		if err := json.Unmarshal(out.Bytes(), &got); err != nil {
			t.Fatal(err)
		}
		delete(got, "time")
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Error(diff)
		}
	}
}
