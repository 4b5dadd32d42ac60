package web_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/web"
)

// glance asks and goes away at once, so that live connections end too.
func glance(t *testing.T, h http.Handler, method, path, cookie string) *httptest.ResponseRecorder {
	t.Helper()
	gone, leave := context.WithCancel(t.Context())
	leave()
	r := httptest.NewRequestWithContext(gone, "GET", "http://127.0.0.1:8417/", http.NoBody)
	r.Method, r.URL.Path = method, path // some that NewRequest doesn't take
	r.Header.Set("Cookie", cookie)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// Every route has a door. A new one is the users' unless it says otherwise, and
// whoever says otherwise has to add it here.
func TestEveryRouteHasADoor(t *testing.T) {
	p, h := withUsers(t)
	o := p.options()
	o.Metrics = http.NotFoundHandler()
	routes := web.Routes(o)
	if len(routes) < 35 {
		t.Fatalf("only %d routes", len(routes))
	}
	forAll := map[string]bool{"GET /login": true, "POST /login": true, "POST /logout": true, "GET /static/{sum}/{file}": true, "GET /healthz": true, "GET /readyz": true}
	otto, anna := as(t, h, "otto", ottosPassword), as(t, h, "anna", annasPassword)
	for pattern, door := range routes {
		if door == "all" {
			if !forAll[pattern] {
				t.Errorf("%s is open to everybody", pattern)
			}
			continue
		}
		method, path, ok := strings.Cut(pattern, " ")
		if !ok {
			method, path = "", pattern
		}
		path = strings.NewReplacer("{$}", "", "{name}", "fan", "{id}", "x", "{part}", "data", "{prefix}", "x", "{hash}", "x", "{sum}", "x", "{file}", "page.css").Replace(path)
		methods := []string{method}
		if method == "" {
			methods = []string{"GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "ODD"}
		}
		for _, m := range methods {
			nobody, viewer := glance(t, h, m, path, ""), glance(t, h, m, path, otto)
			changes := m != "GET" && m != "HEAD"
			switch door {
			case "token":
				if !strings.HasPrefix(path, "/api/") {
					t.Errorf("%s asks for the token", pattern)
				}
				technician := glance(t, h, m, path, anna)
				for who, w := range map[string]*httptest.ResponseRecorder{"nobody": nobody, "a viewer": viewer, "a technician": technician} {
					if w.Code != http.StatusUnauthorized {
						t.Errorf("%s %s answers %s without the token: %d", m, path, who, w.Code)
					}
				}
			default:
				turnedAway := nobody.Code == http.StatusForbidden || nobody.Code == http.StatusSeeOther && strings.HasPrefix(nobody.Header().Get("Location"), "/login")
				if !turnedAway {
					t.Errorf("%s %s lets nobody in: %d", m, path, nobody.Code)
				}
				if refused := viewer.Code == http.StatusForbidden && strings.Contains(viewer.Body.String(), "A viewer only looks."); changes != refused {
					t.Errorf("%s %s answers a viewer %d", m, path, viewer.Code)
				}
			}
		}
	}
	if w := ask(t, h, "HEAD", "/", ""); w.Code != http.StatusSeeOther {
		t.Errorf("HEAD / answers nobody %d", w.Code)
	}
	for _, path := range []string{"//", "/static/../unread", "/static/x/../../unread", "/healthz/../unread", "/login/../unread", "/%2e%2e/unread", "/static/x%2F..%2F..%2Funread"} {
		for _, m := range []string{"GET", "CONNECT"} {
			r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8417/", http.NoBody)
			r.Method, r.URL = m, &url.URL{Path: path, RawPath: path}
			if plain, err := url.PathUnescape(path); err == nil {
				r.URL.Path = plain
			}
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if w.Code == http.StatusOK || strings.Contains(w.Body.String(), "could be read") {
				t.Errorf("%s %s lets nobody in: %d", m, path, w.Code)
			}
		}
	}
	if at, err := archive.Pages(p.store).Visit(context.Background(), "otto"); err != nil || !at.IsZero() {
		t.Errorf("a viewer's visit was noted: %v, %v", at, err)
	}
}
