package daemon_test

import (
	"bytes"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"faultkeep/daemon"
	"faultkeep/daemon/alert"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
	"faultkeep/sources/drivesim"
)

// locked is a buffer that many may write to.
type locked struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *locked) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *locked) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// Whatever goes wrong with sinks that carry secrets, and whoever knocks with a
// wrong token: at the finest level none of it is in the log.
func TestNoSecretIsLogged(t *testing.T) {
	p := newPlant(t, drivesim.Spec{Name: "elevator", Recorder: drivesim.Recorder{Samples: 64}}, drivesim.Behaviour{})
	down := httptest.NewServer(http.NotFoundHandler())
	down.Close()
	refuses := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(http.StatusForbidden)
		_, _ = io.WriteString(w, "wrong: "+r.Header.Get("Authorization")+r.URL.String()) // receivers do
	}))
	defer refuses.Close()
	fails := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, "http://192.0.2.1/"+r.URL.String(), http.StatusFound)
	}))
	defer fails.Close()
	folder := filepath.Dir(p.config)
	for name, secret := range map[string]string{"hook.key": "S3CRET-hook", "sign.key": "S3CRET-sign"} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(secret), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(p.config)
	if err != nil {
		t.Fatal(err)
	}
	for i, to := range []*httptest.Server{down, refuses, fails} {
		text = fmt.Appendf(text, `    - {name: sink-%d, webhook: {url: "%s/S3CRET-path?token=S3CRET-query", secret_file: hook.key, sign_file: sign.key, headers: {X-Site: S3CRET-header}}}
`, i, to.URL)
	}
	if err := os.WriteFile(p.config, text, 0o600); err != nil {
		t.Fatal(err)
	}
	loaded, problems := config.Load(p.config)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	var log locked
	answers := make(chan alert.Attempt, 1000)
	app, err := daemon.Start(t.Context(), loaded, daemon.Options{Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug})),
		Attempts: func(a alert.Attempt) { answers <- a }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = app.Stop() })
	p.trip(t)
	heard := map[string]bool{}
	for len(heard) < 4 {
		a := <-answers
		heard[a.Sink] = true
	}
	mine, err := archive.ReadEndpointFile(p.data)
	if err != nil {
		t.Fatal(err)
	}
	for _, token := range []string{mine.Token, "S3CRET-guess"} {
		for _, path := range []string{"/api/v1/captures?token=S3CRET-asked", "/S3CRET-nowhere"} {
			r, _ := http.NewRequest(http.MethodGet, app.Address+path, nil)
			r.Header.Set("Authorization", "Bearer "+token)
			r.Header.Set("Cookie", "faultkeep=S3CRET-cookie")
			answer, err := http.DefaultClient.Do(r)
			if err != nil {
				t.Fatal(err)
			}
			answer.Body.Close()
		}
	}
	if err := app.Stop(); err != nil {
		t.Error(err)
	}
	told := log.String()
	for _, want := range []string{"an alert wasn't taken", "an alert was refused", "an alert was taken", "sink=sink-0", "sink=sink-1", "sink=sink-2"} {
		if !strings.Contains(told, want) {
			t.Errorf("%q isn't in the log", want)
		}
	}
	for _, secret := range []string{"S3CRET", mine.Token} {
		for line := range strings.Lines(told) {
			if strings.Contains(line, secret) {
				t.Errorf("%s is in the log: %s", secret, line)
			}
		}
	}
}
