package web_test

import (
	"context"
	"net/http"
	"strings"
	"testing"

	"faultkeep/daemon/web"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// The last brief is shown as it was sent, in a page that may do nothing.
func TestBriefPage(t *testing.T) {
	p := newPlant(t, "Northquay")
	h := web.New(p.options())
	w := ask(t, h, "GET", "/brief", "")
	if w.Code != http.StatusNotFound || !strings.Contains(w.Body.String(), "No brief was made yet.") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	for _, html := range []string{"<h1>the one before", "<style>h1 {}</style><h1>Nothing happened"} {
		p.now = p.now.AddDate(0, 0, 1)
		if _, err := p.store.KeepBrief(context.Background(), store.Brief{ID: html, Slot: p.now, To: p.now, HTML: html}, capture.Alert{ID: html}, nil); err != nil {
			t.Fatal(err)
		}
	}
	w = ask(t, h, "GET", "/brief", "")
	if w.Code != http.StatusOK || w.Body.String() != "<style>h1 {}</style><h1>Nothing happened" || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	policy := w.Header().Get("Content-Security-Policy")
	for _, want := range []string{"default-src 'none'", "sandbox", "frame-ancestors 'none'"} {
		if !strings.Contains(policy, want) {
			t.Errorf("the policy is %q, without %s", policy, want)
		}
	}
	if strings.Contains(policy, "script-src") || len(w.Header().Values("Content-Security-Policy")) != 1 {
		t.Errorf("the policy is %q", policy)
	}
}
