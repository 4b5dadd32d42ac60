package daemon_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/daemon"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/certificate"
	"faultkeep/daemon/config"
)

// page is a daemon that anna may log in to with "the long way home"; where the
// hash is from, daemon/login's tests say.
func page(t *testing.T, folder, tlsKeys string, log io.Writer) *daemon.App {
	t.Helper()
	return pageAt(t, folder, "0.0.0.0:0", tlsKeys, log)
}

func pageAt(t *testing.T, folder, listen, tlsKeys string, log io.Writer) *daemon.App {
	t.Helper()
	path := filepath.Join(folder, "faultkeep.yaml")
	text := fmt.Sprintf(`
site: Northquay
data: data
web:
  listen: %s
  tls: {%s}
  names: [edge-pc.northquay.example]
  users:
    - {name: anna, role: technician, hash: '$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$4qoCcNCmUb80wGmnWfpPeg'}
drives:
  - {name: elevator, address: "127.0.0.1:1", map: builtin:sim-block}
`, listen, tlsKeys)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	loaded, problems := config.Load(path)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	app, err := daemon.Start(t.Context(), loaded, daemon.Options{Log: slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelWarn - 4}))})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := app.Stop(); err != nil {
			t.Error(err)
		}
	})
	return app
}

// With a certificate that faultkeep makes, and with one of the user's own, a
// browser that trusts it logs in, and commands find the daemon.
func TestPageBehindTLS(t *testing.T) {
	folder := t.TempDir()
	own := t.TempDir()
	if _, err := certificate.Made(own, []string{"edge-pc.northquay.example"}); err != nil {
		t.Fatal(err)
	}
	mine := filepath.Join(own, certificate.File)
	for keys, file := range map[string]string{"make: true": filepath.Join(folder, "data", certificate.File), fmt.Sprintf("cert: %q, key: %q", mine, mine): mine} {
		t.Run(keys[:4], func(t *testing.T) {
			var log bytes.Buffer
			app := page(t, folder, keys, &log)
			address, err := url.Parse(app.Address)
			if err != nil || address.Scheme != "https" {
				t.Fatal(app.Address, err)
			}
			pool := x509.NewCertPool()
			b, err := os.ReadFile(file)
			block, _ := pem.Decode(b)
			if err != nil || !pool.AppendCertsFromPEM(pem.EncodeToMemory(block)) {
				t.Fatal("no certificate", err)
			}
			browser := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, ForceAttemptHTTP2: true},
				CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
			at := "https://127.0.0.1:" + address.Port()
			w, err := browser.PostForm(at+"/login", url.Values{"name": {"anna"}, "password": {"the long way home"}})
			if err != nil {
				t.Fatal(err)
			}
			w.Body.Close()
			if w.StatusCode != http.StatusSeeOther || len(w.Cookies()) != 1 || w.ProtoMajor != 2 {
				t.Fatalf("%s %v", w.Status, w.Header)
			}
			for _, in := range []bool{false, true} {
				r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, at+"/", http.NoBody)
				if err != nil {
					t.Fatal(err)
				}
				if in {
					r.AddCookie(w.Cookies()[0])
				}
				answer, err := browser.Do(r)
				if err != nil {
					t.Fatal(err)
				}
				body, err := io.ReadAll(answer.Body)
				answer.Body.Close()
				if err != nil || strings.Contains(string(body), "Northquay") != in {
					t.Errorf("logged in %v: %s, %v", in, answer.Status, err)
				}
			}
			if plain, err := http.Get("http://127.0.0.1:" + address.Port() + "/healthz"); err == nil {
				plain.Body.Close()
				if plain.StatusCode != http.StatusBadRequest {
					t.Errorf("without TLS: %s", plain.Status)
				}
			}
			a, err := archive.Open(t.Context(), filepath.Join(folder, "data"))
			if err != nil {
				t.Fatal(err)
			}
			defer a.Close()
			if report, err := a.Verify(t.Context(), nil); err != nil || len(report.Problems) > 0 { // a stream of lines
				t.Errorf("%+v, %v", report, err)
			}
			browser.CloseIdleConnections() // which the daemon would wait for
			if err := app.Stop(); err != nil {
				t.Error(err)
			}
			sum := strings.Fields(log.String()[strings.Index(log.String(), "sha256="):])[0]
			if len(sum) != len("sha256=")+32*3-1 {
				t.Errorf("the fingerprint isn't told: %s", log.String())
			}
			for _, secret := range []string{"the long way home", "argon2", w.Cookies()[0].Value} {
				if strings.Contains(log.String(), secret) {
					t.Errorf("%s is in the log", secret)
				}
			}
		})
	}
}

// For years without a start: a made certificate is made anew before its end,
// and commands are told of it each time.
func TestCertificateIsRenewedWhileRunning(t *testing.T) {
	folder := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shown, err := certificate.Made(folder, nil)
		if err != nil {
			t.Fatal(err)
		}
		var log bytes.Buffer
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		first := shown.Pin()
		time.Sleep(735 * 24 * time.Hour)
		go daemon.Renew(ctx, slog.New(slog.NewTextHandler(&log, nil)), folder, shown, archive.Endpoint{Address: "https://127.0.0.1:1", Token: "t"})
		time.Sleep(66 * 24 * time.Hour)
		synctest.Wait()
		e, err := archive.ReadEndpointFile(folder)
		if err != nil || e.Certificate == first || e.Certificate != shown.Pin() || e.Token != "t" {
			t.Errorf("%+v, %v; shown is %s", e, err, shown.Pin())
		}
		if time.Until(shown.Ends()) < 0 || !strings.Contains(log.String(), shown.Fingerprint()) || strings.Contains(log.String(), "ends soon") {
			t.Errorf("ends %v; %s", shown.Ends(), log.String())
		}
	})
}

// One of the user's own can only be told of.
func TestOwnCertificateThatEndsIsTold(t *testing.T) {
	folder := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		if _, err := certificate.Made(folder, nil); err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(folder, certificate.File)
		shown, err := certificate.Own(file, file)
		if err != nil {
			t.Fatal(err)
		}
		var log bytes.Buffer
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		time.Sleep(time.Until(shown.Ends()) - 20*24*time.Hour)
		go daemon.Renew(ctx, slog.New(slog.NewTextHandler(&log, nil)), folder, shown, archive.Endpoint{Address: "https://127.0.0.1:1", Token: "t"})
		time.Sleep(10 * 24 * time.Hour)
		if err := os.Remove(file); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Hour)
		synctest.Wait()
		if n := strings.Count(log.String(), "ends soon"); n < 3 || n > 5 || !strings.Contains(log.String(), "the last one stays") {
			t.Errorf("told %d times in four days: %s", n, log.String())
		}
	})
}
