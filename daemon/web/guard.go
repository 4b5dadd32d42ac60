package web

import (
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"runtime/debug"
	"slices"
	"strings"

	"faultkeep/daemon/report"
	"faultkeep/daemon/web/wire"
)

// policy lets a page load its own files and nothing else; no inline script or
// style, so that a name that slipped through as markup still does nothing.
const policy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// picturePolicy is for a picture opened by itself: its one style is known.
var picturePolicy = func() string {
	sum := sha256.Sum256([]byte(report.CSS))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; frame-ancestors 'none'"
}()

const mostBody = 64 << 10 // bytes; no request but one has more to say

const takePath = "/api/v1/take" // that one

// guard stands before every request.
func (s *server) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(s.page(func(w http.ResponseWriter, r *http.Request) error {
		return &refusal{http.StatusForbidden, "Another site sent this request.", "Only faultkeep's own pages may change anything. Open the page itself and try there."}
	}))
	protected := cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		defer func() {
			if p := recover(); p != nil {
				if err, ok := p.(error); ok && errors.Is(err, http.ErrAbortHandler) {
					panic(p)
				}
				s.Log.Error("a page failed", "path", r.URL.Path, "panic", p, "stack", string(debug.Stack()))
				http.Error(w, "This page can't be shown; the log says why. Watching goes on.", http.StatusInternalServerError)
			}
		}()
		if !s.hostAllowed(r.Host) {
			http.Error(w, "faultkeep isn't served under this name. Open it by the address that it printed at its start, or add the name to the config.", http.StatusMisdirectedRequest)
			return
		}
		most := int64(mostBody)
		if r.URL.Path == takePath { // behind the token, which is asked for before anything is read
			most = wire.MostTaken
		}
		r.Body = http.MaxBytesReader(w, r.Body, most)
		protected.ServeHTTP(w, r)
	})
}

func (s *server) hostAllowed(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.ToLower(strings.Trim(name, "[]"))
	if name == "localhost" {
		return true
	}
	if _, err := netip.ParseAddr(name); err == nil { // no name, so nobody can have pointed it here
		return true
	}
	return slices.ContainsFunc(s.Hosts, func(h string) bool { return strings.EqualFold(h, name) })
}

// refusal is an answer that isn't a page: a status, what is the matter, what to do.
type refusal struct {
	status int
	what   string
	hint   string
}

func (e *refusal) Error() string { return e.what }

// refuse turns any error into the refusal to show. Internals stay in the log.
func (s *server) refuse(r *http.Request, err error) *refusal {
	var known *refusal
	var several *wire.Ambiguous
	switch {
	case errors.As(err, &known):
		return known
	case errors.As(err, &several):
		return &refusal{http.StatusConflict, several.Error(), ""}
	case errors.Is(err, wire.ErrNotFound):
		return &refusal{http.StatusNotFound, "There is no capture under this address.", "It may have been dropped by retention, or the address was cut short. The overnight page lists what is kept."}
	case errors.Is(err, wire.ErrRequest):
		return &refusal{http.StatusBadRequest, err.Error(), ""}
	case errors.Is(err, wire.ErrDamaged):
		s.Log.Error("a capture is damaged", "path", r.URL.Path, "err", err)
		return &refusal{http.StatusInternalServerError, "What is stored here is damaged: its checksums don't match.", "`faultkeep verify` lists everything that is damaged; a backup may have it whole."}
	case r.Context().Err() != nil:
		return &refusal{499, "The browser went away.", ""}
	}
	s.Log.Error("a page can't be shown", "path", r.URL.Path, "err", err)
	return &refusal{http.StatusInternalServerError, "The store can't be read just now.", "Watching goes on. The log says why."}
}

// page runs a handler; its error becomes a page in words.
func (s *server) page(h func(http.ResponseWriter, *http.Request) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		err := h(w, r)
		if err == nil {
			return
		}
		no := s.refuse(r, err)
		w.Header().Del("Content-Disposition")
		if bare(r) {
			http.Error(w, strings.TrimSpace(no.what+" "+no.hint), no.status)
			return
		}
		s.show(w, r, no.status, "refusal.html", refusalPage{s.frame(no.what), no.what, no.hint})
	})
}

// bare tells whether a script asks, or a page for a part of it, so that the
// answer isn't a page.
func bare(r *http.Request) bool {
	return r.URL.Query().Has("fragment") || strings.HasSuffix(r.URL.Path, ".svg") || strings.HasSuffix(r.URL.Path, ".json")
}

type refusalPage struct {
	frame
	What, Hint string
}

func (s *server) nowhere(w http.ResponseWriter, r *http.Request) error {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		return &refusal{http.StatusMethodNotAllowed, "Nothing can be sent to this address.", ""}
	}
	return &refusal{http.StatusNotFound, "There is no page under this address.", "The overnight page leads to everything there is."}
}
