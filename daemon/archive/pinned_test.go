package archive_test

import (
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/web"
	"faultkeep/store"
)

// Commands talk to the one certificate that the endpoint file names, and tell
// the token to no other.
func TestOnlyTheDaemonsOwnCertificate(t *testing.T) {
	folder, caps := fill(t)
	s, err := store.Open(ctx, store.Options{Path: filepath.Join(folder, archive.StoreFile), Now: later})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	const token = "0123456789abcdef"
	var asked atomic.Int32
	pages := web.New(web.Options{Token: token, Version: "test", Store: archive.Pages(s), Live: nobody{}})
	h := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked.Add(1)
		pages.ServeHTTP(w, r)
	}))
	defer h.Close()
	sum := sha256.Sum256(h.Certificate().Raw)
	right := hex.EncodeToString(sum[:])
	for pin, ok := range map[string]bool{right: true, strings.ToUpper(right): true, "": false, right[2:]: false, "xx" + right[2:]: false,
		strings.Repeat("00", 32): false} {
		asked.Store(0)
		e := archive.Endpoint{Address: h.URL, Token: token, Certificate: pin, PID: os.Getpid(), Version: "test"}
		if archive.Answers(e) != ok || (asked.Load() > 0) != ok {
			t.Errorf("%q: %d requests", pin, asked.Load())
		}
		if !ok {
			continue
		}
		if err := archive.WriteEndpointFile(folder, e); err != nil {
			t.Fatal(err)
		}
		a, err := archive.Open(ctx, folder)
		if err != nil {
			t.Fatal(err)
		}
		if c, err := a.Find(ctx, string(caps[0].ID)); err != nil || c.ID != caps[0].ID {
			t.Error(err)
		}
		_ = a.Close()
	}
}
