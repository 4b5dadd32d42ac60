package daemon_test

import (
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon"
)

func readyz(t *testing.T, app *daemon.App) (int, string) {
	t.Helper()
	r, err := http.Get(app.Address + "/readyz")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(b)
}

func TestReady(t *testing.T) {
	y := newYard(t)
	y.write(t, "", y.drive("elevator", ""))
	y.start(t)
	y.watched(t, "elevator")
	if code, text := readyz(t, y.app); code != http.StatusOK || text != "ready\n" {
		t.Errorf("%d %q", code, text)
	}
	eventually(t, "a watch that hangs is told", func() bool {
		y.app.Drives()[0].Pulse().Beat(-time.Hour) // until its next beat
		stuck := y.app.Stuck()
		y.app.Drives()[0].Pulse().Beat(-time.Hour)
		code, text := readyz(t, y.app)
		return len(stuck) == 1 && stuck[0] == "elevator" && code == http.StatusServiceUnavailable && text == "watching\n"
	})
	eventually(t, "ready again", func() bool { code, _ := readyz(t, y.app); return code == http.StatusOK })
	daemon.SetUnsure(y.app, true)
	daemon.JudgeLedger(y.app, errors.New("no space left on device"))
	if code, text := readyz(t, y.app); code != http.StatusServiceUnavailable || text != "store\nclock\n" {
		t.Errorf("%d %q", code, text)
	}
	daemon.SetUnsure(y.app, false)
	daemon.JudgeLedger(y.app, nil)
	if code, text := readyz(t, y.app); code != http.StatusOK {
		t.Errorf("%d %q", code, text)
	}
}

func TestLedgerThatFailsIsNotReady(t *testing.T) {
	y := newYard(t)
	y.write(t, "", y.drive("elevator", ""))
	y.start(t)
	y.watched(t, "elevator")
	eventually(t, "the store isn't ready", func() bool { // until the ledger takes something else
		daemon.FailLedger(y.app, strings.Repeat("x", 300)) // no drive's name is that long, so that it is refused
		code, text := readyz(t, y.app)
		return code == http.StatusServiceUnavailable && text == "store\n"
	})
}
