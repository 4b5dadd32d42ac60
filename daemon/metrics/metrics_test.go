package metrics_test

import (
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"regexp"
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
				{Name: "elevator", State: capture.Armed, Watched: true, Reachable: true, LastSeen: now.Add(-250 * time.Millisecond), Polled: 12 * time.Millisecond,
					Figures: web.Race{Pull: 900 * time.Millisecond, Need: 1200 * time.Millisecond, Survived: 1 * time.Second, ResetAfter: 3 * time.Second}},
				{Name: "fan", State: capture.Unknown}, // never reached: nothing is known of its race
			}
		},
		Kept: func() metrics.Kept {
			return metrics.Kept{Drafts: 1, Size: 4096, Used: 1024, Free: -1, Aside: 3, Oldest: now.Add(-90 * time.Second)}
		},
		Alerts: func() web.AlertCounts { return web.AlertCounts{Raised: 7, Waiting: 2} },
		Now:    func() time.Time { return now }})
	m.Know([]string{"elevator", "fan"})
	for _, o := range []sources.Observation{
		{Kind: sources.SeenKept, Drive: "elevator", Took: 300 * time.Millisecond, Pull: 250 * time.Millisecond, Done: 16384},
		{Kind: sources.SeenKept, Drive: "elevator", Took: 4 * time.Second, Partial: true},
		{Kind: sources.SeenMiss, Drive: "fan"},
		{Kind: sources.SeenMiss, Drive: "fan"},
		{Kind: sources.SeenBlind, Drive: "fan", Since: now},
		{Kind: sources.SeenWatched, Drive: "fan", Time: now.Add(20 * time.Second)},
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
		`faultkeep_alerts_waiting 2`, `faultkeep_alerts_set_aside 3`, `faultkeep_alerts_oldest_waiting_seconds 90`,
		`faultkeep_drafts 1`, `faultkeep_store_bytes 4096`, `faultkeep_store_used_bytes 1024`,
		`faultkeep_blind_seconds_total{drive="fan"} 20`, `faultkeep_blind_seconds_total{drive="elevator"} 0`,
		`faultkeep_pulled_bytes_total{drive="elevator"} 16384`, `faultkeep_pull_seconds_sum{drive="elevator"} 0.25`,
		`faultkeep_poll_seconds{drive="elevator"} 0.012`,
	} {
		if !lines[want] {
			t.Errorf("missing %s", want)
		}
	}
	if strings.Contains(answer.Body.String(), "faultkeep_disk_free_bytes") {
		t.Error("free space is told that isn't known")
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

// promtool is Prometheus' own: Debian's package prometheus.
func promtool(t *testing.T, stdin string, args ...string) {
	t.Helper()
	path, err := exec.LookPath("promtool")
	if err != nil && os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
		t.Fatal(err)
	}
	if err != nil {
		t.Skip("promtool isn't here")
	}
	cmd := exec.Command(path, args...)
	cmd.Stdin = strings.NewReader(stdin)
	if said, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, said)
	}
}

func TestPrometheusTakesTheMetrics(t *testing.T) {
	m := metrics.New(metrics.Options{Version: "1", Drives: func() []web.DriveNow { return []web.DriveNow{{Name: "fan", LastSeen: time.Now(), Polled: 1}} },
		Alerts: func() web.AlertCounts { return web.AlertCounts{} }, Kept: func() metrics.Kept { return metrics.Kept{} }})
	m.Know([]string{"fan"})
	m.Saw(sources.Observation{Kind: sources.SeenKept, Drive: "fan", Took: 1, Pull: 1})
	answer := httptest.NewRecorder()
	m.Handler().ServeHTTP(answer, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	promtool(t, answer.Body.String(), "check", "metrics")
}

func TestExampleRules(t *testing.T) {
	promtool(t, "", "check", "rules", "../../configs/prometheus/faultkeep.rules.yaml")
	promtool(t, "", "test", "rules", "../../configs/prometheus/faultkeep.rules.test.yaml")
	// Every metric that a rule names is one that there is.
	rules, err := os.ReadFile("../../configs/prometheus/faultkeep.rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	m := metrics.New(metrics.Options{Version: "1", Drives: func() []web.DriveNow {
		return []web.DriveNow{{Name: "fan", Figures: web.Race{Need: 1, Survived: 1}}}
	}, Alerts: func() web.AlertCounts { return web.AlertCounts{} }, Kept: func() metrics.Kept { return metrics.Kept{} }})
	m.Know([]string{"fan"})
	families, err := m.Registry().Gather()
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	for _, f := range families {
		known[f.GetName()] = true
	}
	for _, name := range regexp.MustCompile(`faultkeep_[a-z_]+`).FindAllString(string(rules), -1) {
		if !known[name] {
			t.Errorf("a rule is about %s, which there isn't", name)
		}
	}
}
