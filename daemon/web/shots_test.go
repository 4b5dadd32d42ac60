package web_test

import (
	"net/http/httptest"
	"os"
	"testing"
	"time"

	"faultkeep/daemon/web"
)

// TestServe serves the night for a person to look at: FAULTKEEP_SERVE=10m.
func TestServe(t *testing.T) {
	d, err := time.ParseDuration(os.Getenv("FAULTKEEP_SERVE"))
	if err != nil {
		t.Skip("set FAULTKEEP_SERVE to a duration to look at the pages")
	}
	p := newPlant(t, "Northquay")
	p.night(t)
	s := httptest.NewServer(web.New(p.options()))
	t.Log(s.URL)
	if err := os.WriteFile(os.Getenv("FAULTKEEP_SERVE_URL"), []byte(s.URL), 0o600); err != nil {
		t.Log(err)
	}
	time.Sleep(d)
	s.CloseClientConnections()
}
