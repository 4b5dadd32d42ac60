package heartbeat_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"context"

	"faultkeep/configs/strict"
	"faultkeep/daemon/heartbeat"
)

func TestCheck(t *testing.T) {
	for _, c := range []struct {
		url   string
		every time.Duration
		want  string
	}{
		{"https://watch.northquay.example/T0KEN", 0, ""}, {"http://192.0.2.9:8080/x?y=z", 10 * time.Second, ""},
		{"", 0, "url"}, {"watch.northquay.example", 0, "url"}, {"ftp://x/y", 0, "url"}, {"https://u:p@x/", 0, "url"},
		{"https://x/", time.Second, "every"}, {"https://x/", 2 * time.Hour, "every"},
	} {
		var keys []string
		heartbeat.Config{URL: c.url, Every: strict.Duration(c.every)}.Check(func(key, _, _ string) { keys = append(keys, key) })
		if got := strings.Join(keys, " "); got != c.want {
			t.Errorf("%s %s: %q, want %q", c.url, c.every, got, c.want)
		}
	}
}

// run beats every 20 ms, below what a config may ask for, until the test ends.
func run(t *testing.T, url string, ails func() string) *bytes.Buffer {
	var log bytes.Buffer
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		heartbeat.Run(ctx, heartbeat.Config{URL: url, Every: strict.Duration(20 * time.Millisecond)}, ails, nil, slog.New(slog.NewTextHandler(&log, nil)))
	}()
	time.Sleep(400 * time.Millisecond)
	cancel()
	<-done
	return &log
}

func TestBeatsOnlyWhileAllIsWell(t *testing.T) {
	var n, held atomic.Int64
	answer := http.StatusOK
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/held" {
			held.Add(1)
		}
		n.Add(1)
		w.WriteHeader(answer)
	}))
	defer s.Close()
	if log := run(t, s.URL+"/T0KEN", func() string { return "" }); n.Load() < 3 || log.Len() > 0 {
		t.Errorf("%d beats, %s", n.Load(), log)
	}
	log := run(t, s.URL+"/held", func() string { return "belt-3 isn't watched" }).String()
	if held.Load() > 0 || strings.Count(log, "\n") != 1 || !strings.Contains(log, "belt-3 isn't watched") {
		t.Errorf("%d beats, %s", held.Load(), log)
	}
	answer = http.StatusNotFound
	log = run(t, s.URL+"/T0KEN", func() string { return "" }).String()
	if strings.Count(log, "\n") != 1 || !strings.Contains(log, "404") || strings.Contains(log, "T0KEN") {
		t.Error(log)
	}
	s.Close()
	if log = run(t, s.URL+"/T0KEN", func() string { return "" }).String(); strings.Count(log, "\n") != 1 || strings.Contains(log, "T0KEN") {
		t.Error(log)
	}
}

func TestConfigShowsNoToken(t *testing.T) {
	c := heartbeat.Config{URL: "https://watch.northquay.example/T0KEN?key=K3Y"}
	b, err := json.Marshal(c)
	if out := string(b) + fmt.Sprintf("%v %+v %#v %s", c, c, c, c.Sentence()); err != nil || strings.Contains(out, "T0KEN") || strings.Contains(out, "K3Y") || !strings.Contains(out, "every 1m") {
		t.Errorf("%v: %s", err, out)
	}
}

// The broker is told whatever becomes of the address, and only while all is well.
func TestTellsTheBroker(t *testing.T) {
	var told atomic.Int32
	var ill atomic.Bool
	down := httptest.NewServer(http.NotFoundHandler())
	down.Close()
	var log bytes.Buffer
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		heartbeat.Run(ctx, heartbeat.Config{URL: down.URL, MQTT: "plant-broker", Every: strict.Duration(20 * time.Millisecond)},
			func() string {
				if ill.Load() {
					return "belt-3 isn't watched"
				}
				return ""
			},
			func(context.Context) error { told.Add(1); return nil }, slog.New(slog.NewTextHandler(&log, nil)))
	}()
	for end := time.Now().Add(10 * time.Second); told.Load() < 3; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the broker isn't told")
		}
	}
	ill.Store(true)
	time.Sleep(60 * time.Millisecond)
	n := told.Load()
	time.Sleep(100 * time.Millisecond)
	if told.Load() != n {
		t.Error("the broker is told while a drive isn't watched")
	}
	cancel()
	<-done
	if !strings.Contains(log.String(), "the heartbeat isn't heard") || !strings.Contains(log.String(), "the heartbeat is held back") {
		t.Error(log.String())
	}
}
