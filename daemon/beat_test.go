package daemon_test

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"

	"faultkeep/daemon"
)

// What holds the heartbeat back: a drive that isn't watched, and a store that takes nothing.
func TestWhatAils(t *testing.T) {
	y := newYard(t)
	y.write(t, "", y.drive("elevator", ""))
	y.start(t)
	y.watched(t, "elevator")
	eventually(t, "all is well", func() bool { return daemon.Ails(y.app) == "" })
	daemon.JudgeLedger(y.app, http.ErrServerClosed)
	if why := daemon.Ails(y.app); why != "store" {
		t.Errorf("%q", why)
	}
	daemon.JudgeLedger(y.app, nil)
	y.write(t, "", y.drive("elevator", ""), strings.Replace(y.drive("gone", ""), y.addresses[0], "127.0.0.1:1", 1))
	if _, err := y.app.Reload(t.Context()); err != nil {
		t.Fatal(err)
	}
	eventually(t, "a drive that isn't there holds it back", func() bool { return strings.Contains(daemon.Ails(y.app), "gone isn't watched") })
}

func TestHeartbeatIsHeard(t *testing.T) {
	if testing.Short() {
		t.Skip("waits 10 s")
	}
	var n atomic.Int64
	s := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { n.Add(1) }))
	defer s.Close()
	y := newYard(t)
	y.write(t, "heartbeat: {url: "+s.URL+", every: 10s}\n", y.drive("elevator", ""))
	y.start(t)
	eventually(t, "a beat", func() bool { return n.Load() > 0 })
}
