package webhook_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/daemon/alert"
	"faultkeep/daemon/alert/webhook"
)

// answering is a receiver that answers every request by h.
func answering(t *testing.T, h http.HandlerFunc) string {
	t.Helper()
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	return s.URL
}

func TestAnswers(t *testing.T) {
	const accepted, again, refused = "accepted", "again", "refused"
	for status, want := range map[int]string{
		200: accepted, 201: accepted, 202: accepted, 204: accepted, 299: accepted,
		300: again, 304: again,
		400: refused, 401: refused, 403: refused, 404: refused, 405: refused, 410: refused, 413: refused, 415: refused, 422: refused, 451: refused,
		408: again, 425: again, 429: again,
		500: again, 501: again, 502: again, 503: again, 504: again, 599: again, 600: again,
	} {
		at := answering(t, func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(status) })
		err := webhook.New(webhook.Config{URL: at}, "").Send(t.Context(), trip)
		got := again
		switch {
		case err == nil:
			got = accepted
		case alert.IsRefused(err):
			got = refused
		}
		if got != want {
			t.Errorf("%d: %s (%v), want %s", status, got, err, want)
		}
		if err != nil && !strings.Contains(err.Error(), fmt.Sprint(status)) {
			t.Errorf("%d: error doesn't say so: %v", status, err)
		}
	}
}

func TestRetryAfter(t *testing.T) {
	for _, c := range []struct {
		status    int
		header    string
		low, high time.Duration
	}{
		{429, "90", 90 * time.Second, 90 * time.Second},
		{503, "7", 7 * time.Second, 7 * time.Second},
		{503, time.Now().Add(time.Hour).UTC().Format(http.TimeFormat), 58 * time.Minute, time.Hour},
		{503, time.Now().Add(-time.Hour).UTC().Format(http.TimeFormat), 0, 0},
		{429, "soon", 0, 0},
		{429, "-5", 0, 0},
		{429, "99999999999999999999", 0, 0},
		{429, "", 0, 0},
	} {
		at := answering(t, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", c.header)
			w.WriteHeader(c.status)
		})
		err := webhook.New(webhook.Config{URL: at}, "").Send(t.Context(), trip)
		var later alert.Later
		errors.As(err, &later)
		if err == nil || later.After < c.low || later.After > c.high {
			t.Errorf("%d %q: %v after %s, want %s to %s", c.status, c.header, err, later.After, c.low, c.high)
		}
	}
}

func TestRedirects(t *testing.T) {
	var mu sync.Mutex
	strays := 0
	elsewhere := answering(t, func(http.ResponseWriter, *http.Request) { mu.Lock(); strays++; mu.Unlock() })
	for _, status := range []int{301, 302, 303, 307, 308} {
		var arrived []string
		at := answering(t, func(w http.ResponseWriter, r *http.Request) {
			if r.URL.Path == "/new" {
				b, _ := io.ReadAll(r.Body)
				arrived = append(arrived, r.Method+" "+r.Header.Get("X-Key")+fmt.Sprint(len(b) > 100))
				return
			}
			w.Header().Set("Location", r.URL.Query().Get("to"))
			w.WriteHeader(status)
		})
		cfg := webhook.Config{SecretEnv: "FAULTKEEP_TEST_KEY", SecretHeader: "X-Key"}
		t.Setenv("FAULTKEEP_TEST_KEY", "k-12345")

		cfg.URL = at + "/old?to=" + elsewhere + "/x"
		err := webhook.New(cfg, "").Send(t.Context(), trip)
		if err == nil || alert.IsRefused(err) || !strings.Contains(err.Error(), elsewhere) {
			t.Errorf("%d to another host: %v", status, err)
		}

		cfg.URL = at + "/old?to=/new"
		err = webhook.New(cfg, "").Send(t.Context(), trip)
		if keepsPost := status >= 307; keepsPost { // RFC 9110, 15.4.8 and 15.4.9
			if err != nil || len(arrived) != 1 || arrived[0] != "POST k-12345true" {
				t.Errorf("%d on the same host: %v, arrived %q", status, err, arrived)
			}
		} else if err == nil || len(arrived) != 0 { // a GET would count an alert as accepted that never arrived
			t.Errorf("%d on the same host: %v, arrived %q", status, err, arrived)
		}
	}
	mu.Lock()
	defer mu.Unlock()
	if strays > 0 {
		t.Errorf("%d requests went to a host that isn't in the config", strays)
	}
}

func TestHangingReceiver(t *testing.T) {
	release := make(chan struct{})
	defer close(release)
	at := answering(t, func(_ http.ResponseWriter, r *http.Request) {
		select {
		case <-release:
		case <-r.Context().Done():
		}
	})
	began := time.Now()
	err := webhook.New(webhook.Config{URL: at, Timeout: strict.Duration(100 * time.Millisecond)}, "").Send(t.Context(), trip)
	if err == nil || alert.IsRefused(err) || !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "didn't answer within 100ms") {
		t.Errorf("%v", err)
	}
	if took := time.Since(began); took > 5*time.Second {
		t.Errorf("took %s", took)
	}
}

func TestReceiverThatResets(t *testing.T) {
	n := 0
	at := answering(t, func(w http.ResponseWriter, _ *http.Request) {
		if n++; n > 1 {
			return
		}
		conn, _, err := w.(http.Hijacker).Hijack()
		if err != nil {
			t.Error(err)
			return
		}
		conn.(*net.TCPConn).SetLinger(0)
		conn.Close()
	})
	s := webhook.New(webhook.Config{URL: at}, "")
	if err := s.Send(t.Context(), trip); err == nil || alert.IsRefused(err) || strings.Contains(err.Error(), "Post ") {
		t.Errorf("%v", err)
	}
	if err := s.Send(t.Context(), trip); err != nil {
		t.Errorf("after the reset: %v", err)
	}
}

// An answer without end, good or bad, costs a few kilobytes and no time.
func TestEndlessAnswer(t *testing.T) {
	for _, status := range []int{200, 500} {
		var mu sync.Mutex
		sent := 0
		at := answering(t, func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(status)
			for {
				n, err := w.Write([]byte(strings.Repeat("lorem ipsum ", 1000)))
				mu.Lock()
				sent += n
				stop := err != nil || sent > 1<<30
				mu.Unlock()
				if stop {
					return
				}
			}
		})
		err := webhook.New(webhook.Config{URL: at}, "").Send(t.Context(), trip)
		if (err == nil) != (status == 200) {
			t.Errorf("%d: %v", status, err)
		}
		if err != nil && len([]rune(err.Error())) > 300 {
			t.Errorf("an error of %d bytes", len(err.Error()))
		}
		mu.Lock()
		if sent > 64<<20 { // what fits into the system's buffers
			t.Errorf("%d: read on for %d bytes", status, sent)
		}
		mu.Unlock()
	}
}

func TestHeaders(t *testing.T) {
	t.Setenv("FAULTKEEP_TEST_KEY", "s3cr3t-word")
	r, _ := post(t, webhook.Config{Headers: map[string]string{"x-site": "Northquay"}, SecretEnv: "FAULTKEEP_TEST_KEY"}, "", trip)
	if r.Header.Get("X-Site") != "Northquay" || r.Header.Get("Authorization") != "Bearer s3cr3t-word" {
		t.Errorf("%v", r.Header)
	}
	r, _ = post(t, webhook.Config{SecretHeader: "x-api-key", SecretEnv: "FAULTKEEP_TEST_KEY"}, "", trip)
	if r.Header.Get("X-Api-Key") != "s3cr3t-word" || r.Header.Get("Authorization") != "" {
		t.Errorf("%v", r.Header)
	}
	r, _ = post(t, webhook.Config{}, "", trip)
	if r.Header.Get("Authorization") != "" || r.UserAgent() != "faultkeep" {
		t.Errorf("%v", r.Header)
	}
}

// The secret's file is read at every send: a changed one counts at once, and
// one that is gone for a moment only delays the alert.
func TestSecretFileIsReadAnew(t *testing.T) {
	var seen []string
	at := answering(t, func(_ http.ResponseWriter, r *http.Request) { seen = append(seen, r.Header.Get("Authorization")) })
	file := filepath.Join(t.TempDir(), "key")
	s := webhook.New(webhook.Config{URL: at, SecretFile: file}, "")
	if err := s.Send(t.Context(), trip); err == nil || alert.IsRefused(err) {
		t.Errorf("without its file: %v", err)
	}
	for _, word := range []string{"first\n", "second\r\n"} {
		if err := os.WriteFile(file, []byte(word), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := s.Send(t.Context(), trip); err != nil {
			t.Error(err)
		}
	}
	if strings.Join(seen, ",") != "Bearer first,Bearer second" {
		t.Errorf("the receiver saw %q", seen)
	}
}

// Some receivers answer an error with everything they were sent.
func TestErrorsHoldNoSecret(t *testing.T) {
	t.Setenv("FAULTKEEP_TEST_KEY", "s3cr3t-word")
	at := answering(t, func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(http.StatusBadRequest)
		r.Header.Write(w)
		fmt.Fprint(w, r.RequestURI)
	})
	cfg := webhook.Config{URL: at + "/services/T0KEN-IN-PATH?key=K3Y-IN-QUERY", SecretEnv: "FAULTKEEP_TEST_KEY", Headers: map[string]string{"X-Aa": "h34der-value"}}
	unreachable := cfg
	unreachable.URL = "http://127.0.0.1:1/services/T0KEN-IN-PATH?key=K3Y-IN-QUERY"
	broken := cfg
	broken.URL = "http://[::1]:x/T0KEN-IN-PATH"
	for _, c := range []webhook.Config{cfg, unreachable, broken} {
		err := webhook.New(c, "").Send(t.Context(), trip)
		if err == nil {
			t.Fatal("no error")
		}
		for _, word := range []string{"s3cr3t-word", "T0KEN-IN-PATH", "K3Y-IN-QUERY", "h34der-value"} {
			if strings.Contains(err.Error(), word) {
				t.Errorf("%q is in %q", word, err)
			}
		}
	}
}
