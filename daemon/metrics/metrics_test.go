package metrics_test

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"faultkeep/daemon/metrics"
	"faultkeep/daemon/web"
	"faultkeep/sources"
	"faultkeep/store/capture"
)

func TestMetrics(t *testing.T) {
	now := time.Date(2026, 11, 25, 3, 12, 7, 0, time.UTC)
	m := metrics.New(metrics.Options{Version: "1.2.3",
		Drives: func() []web.DriveNow {
			return []web.DriveNow{
				{Name: "elevator", State: capture.Armed, Watched: true, Reachable: true, LastSeen: now.Add(-250 * time.Millisecond),
					Figures: web.Race{Pull: 900 * time.Millisecond, Need: 1200 * time.Millisecond, Survived: 1 * time.Second, ResetAfter: 3 * time.Second}},
				{Name: "fan", State: capture.Unknown}, // never reached: nothing is known of its race
			}
		},
		Alerts: func() web.AlertCounts { return web.AlertCounts{Raised: 7, Waiting: 2} },
		Now:    func() time.Time { return now }})
	m.Know([]string{"elevator", "fan"})
	for _, o := range []sources.Observation{
		{Kind: sources.SeenKept, Drive: "elevator", Took: 300 * time.Millisecond},
		{Kind: sources.SeenKept, Drive: "elevator", Took: 4 * time.Second, Partial: true},
		{Kind: sources.SeenMiss, Drive: "fan"},
		{Kind: sources.SeenMiss, Drive: "fan"},
		{Kind: sources.SeenBlind, Drive: "fan"},
		{Kind: sources.SeenWrote, Drive: "elevator", Writes: []string{"holding 40 = 1", "holding 41 = 0"}},
		{Kind: sources.SeenPulling, Drive: "elevator"},
	} {
		m.Saw(o)
	}
	answer := httptest.NewRecorder()
	m.Handler().ServeHTTP(answer, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	if answer.Code != 200 {
		t.Fatalf("%d %s", answer.Code, answer.Body)
	}
	lines := map[string]bool{}
	for l := range strings.Lines(answer.Body.String()) {
		lines[strings.TrimSpace(l)] = true
	}
	for _, want := range []string{
		`faultkeep_build_info{version="1.2.3"} 1`,
		`faultkeep_drive_watched{drive="elevator"} 1`, `faultkeep_drive_watched{drive="fan"} 0`,
		`faultkeep_recorder_state{drive="elevator",state="armed"} 1`, `faultkeep_recorder_state{drive="elevator",state="idle"} 0`,
		`faultkeep_drive_last_seen_seconds{drive="elevator"} 0.25`,
		`faultkeep_race_need_seconds{drive="elevator"} 1.2`,
		`faultkeep_race_margin_seconds{drive="elevator"} -0.2`, // stood 1 s, 1.2 s are needed
		`faultkeep_captures_total{drive="elevator",whole="yes"} 1`, `faultkeep_captures_total{drive="elevator",whole="no"} 1`,
		`faultkeep_captures_total{drive="fan",whole="yes"} 0`,
		`faultkeep_misses_total{drive="fan"} 2`, `faultkeep_blind_spells_total{drive="fan"} 1`,
		`faultkeep_writes_total{drive="elevator"} 2`,
		`faultkeep_keep_seconds_bucket{drive="elevator",le="0.5"} 1`, `faultkeep_keep_seconds_sum{drive="elevator"} 4.3`,
		`faultkeep_alerts_waiting 2`,
	} {
		if !lines[want] {
			t.Errorf("missing %s", want)
		}
	}
	for l := range lines {
		if strings.HasPrefix(l, "faultkeep_race_") && strings.Contains(l, `"fan"`) {
			t.Errorf("nothing is known of the race of the fan: %s", l)
		}
	}
	// Names and units, by the convention's own linter.
	problems, err := testutil.GatherAndLint(m.Registry())
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		if strings.HasPrefix(p.Metric, "faultkeep_") {
			t.Errorf("%s: %s", p.Metric, p.Text)
		}
	}
}
