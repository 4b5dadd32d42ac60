package daemon_test

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon"
	"faultkeep/daemon/config"
	"faultkeep/store/capture"
)

func TestReloadTakesSinksRulesAndLimits(t *testing.T) {
	y := newYard(t)
	folder := t.TempDir()
	first, second := filepath.Join(folder, "first.jsonl"), filepath.Join(folder, "second.jsonl")
	head := func(sink, path, level string) string {
		return fmt.Sprintf("log: {level: %s}\nalerts: {sinks: [{name: %s, file: {path: %q}}], rules: [{to: [%s]}]}\n", level, sink, path, sink)
	}
	y.write(t, head("first", first, "info"), y.drive("elevator", ""))
	loaded, problems := config.Load(y.config)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	level := &slog.LevelVar{}
	app, err := daemon.Start(t.Context(), loaded, daemon.Options{Level: level})
	if err != nil {
		t.Fatal(err)
	}
	defer app.Stop() //nolint:errcheck // nothing is judged by it
	y.app = app
	miss := func(text string) {
		t.Helper()
		if err := app.Store.Miss(t.Context(), capture.Miss{Time: time.Now(), Drive: "elevator", Cause: capture.CauseReset, Text: text}, capture.Alarm); err != nil {
			t.Fatal(err)
		}
	}
	holds := func(path, text string) bool {
		b, _ := os.ReadFile(path)
		return strings.Contains(string(b), text)
	}
	miss("before the reload")
	eventually(t, "told the first", func() bool { return holds(first, "before the reload") })

	y.write(t, head("second", second, "warn")+"store: {keep_for: 30d}\n", y.drive("elevator", ""))
	done := y.reload(t)
	if got := strings.Join(done.Taken, ", "); got != "log level, alerts, upkeep" {
		t.Errorf("taken: %s", got)
	}
	if level.Level() != slog.LevelWarn {
		t.Errorf("level %v", level.Level())
	}
	miss("after the reload")
	eventually(t, "told the second", func() bool { return holds(second, "after the reload") })
	if holds(first, "after the reload") || holds(second, "before the reload") {
		t.Error("told by the wrong sink")
	}
	if n := y.alone.Counts().Connections; n > 1 {
		t.Errorf("%d connections", n)
	}
}
