package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// api lets callers with the token in and turns errors into their JSON form.
func (s *server) api(h func(http.ResponseWriter, *http.Request) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		if !s.bearer(r) {
			w.Header().Set("WWW-Authenticate", `Bearer realm="faultkeep"`)
			fail(w, http.StatusUnauthorized, wire.Failure{Kind: wire.KindLogin, Error: "the API wants its token", Hint: "It stands in daemon.json in the data folder, which only the account that runs faultkeep can read"})
			return
		}
		err := h(w, r)
		if err == nil || r.Context().Err() != nil {
			return
		}
		failure := wire.FailureOf(err)
		status := map[wire.Kind]int{wire.KindNotFound: http.StatusNotFound, wire.KindAmbiguous: http.StatusConflict, wire.KindKept: http.StatusConflict,
			wire.KindRequest: http.StatusBadRequest, wire.KindDamaged: http.StatusInternalServerError}[failure.Kind]
		var no *refusal
		switch {
		case errors.As(err, &no):
			status, failure.Hint = no.status, no.hint
		case status == 0:
			status = http.StatusInternalServerError
		}
		if status >= 500 {
			s.Log.Error("the API can't answer", "path", r.URL.Path, "err", err)
		}
		fail(w, status, failure)
	})
}

func fail(w http.ResponseWriter, status int, f wire.Failure) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(f)
}

// answer sends a value; a list is never null.
func answer[T any](w http.ResponseWriter, v T, err error) error {
	if err != nil {
		return err
	}
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	if string(b) == "null" {
		b = []byte("[]")
	}
	w.Header().Set("Content-Type", "application/json")
	_, err = w.Write(append(b, '\n'))
	return ignore(err)
}

// query reads what a list is narrowed to: since, until (RFC 3339), drive,
// fault, before, limit, unread, zone.
func query(v url.Values) (q wire.Query, err error) {
	q = wire.Query{Drive: v.Get("drive"), Fault: v.Get("fault"), Before: capture.ID(v.Get("before"))}
	for key, to := range map[string]*time.Time{"since": &q.Since, "until": &q.Until} {
		if text := v.Get(key); text != "" {
			if *to, err = time.Parse(time.RFC3339Nano, text); err != nil {
				return q, wire.Say(wire.ErrRequest, fmt.Sprintf("%q isn't a time such as 2026-11-25T03:12:07Z, in %s", text, key))
			}
		}
	}
	if text := v.Get("limit"); text != "" {
		if q.Limit, err = strconv.Atoi(text); err != nil || q.Limit < 0 {
			return q, wire.Say(wire.ErrRequest, fmt.Sprintf("%q isn't a number of things, in limit", text))
		}
	}
	if text := v.Get("unread"); text != "" {
		if q.Unread, err = strconv.ParseBool(text); err != nil {
			return q, wire.Say(wire.ErrRequest, fmt.Sprintf("%q is neither true nor false, in unread", text))
		}
	}
	if text := v.Get("zone"); text != "" {
		if q.Zone, err = time.LoadLocation(text); err != nil {
			return q, wire.Say(wire.ErrRequest, fmt.Sprintf("%q is no zone such as Europe/Oslo, in zone", text))
		}
	}
	return q, nil
}

// listed answers with what a query finds.
func listed[T any](w http.ResponseWriter, r *http.Request, find func(context.Context, wire.Query) ([]T, error)) error {
	q, err := query(r.URL.Query())
	if err != nil {
		return err
	}
	found, err := find(r.Context(), q)
	return answer(w, found, err)
}

func (s *server) apiDescription(w http.ResponseWriter, _ *http.Request) error {
	w.Header().Set("Content-Type", "application/yaml")
	_, err := w.Write(description)
	return ignore(err)
}

func (s *server) apiCaptures(w http.ResponseWriter, r *http.Request) error {
	return listed(w, r, s.Store.Captures)
}

func (s *server) apiMisses(w http.ResponseWriter, r *http.Request) error {
	return listed(w, r, s.Store.Misses)
}

func (s *server) apiSpells(w http.ResponseWriter, r *http.Request) error {
	return listed(w, r, s.Store.Spells)
}

func (s *server) apiLedger(w http.ResponseWriter, r *http.Request) error {
	return listed(w, r, s.Store.Ledger)
}

func (s *server) apiCoverage(w http.ResponseWriter, r *http.Request) error {
	return listed(w, r, s.Store.Coverage)
}

func (s *server) apiCapture(w http.ResponseWriter, r *http.Request) error {
	c, err := s.Store.Find(r.Context(), r.PathValue("prefix"))
	return answer(w, c, err)
}

// apiOriginal sends a part's bytes as read; what isn't there is zero, and
// HaveHeader tells what is.
func (s *server) apiOriginal(w http.ResponseWriter, r *http.Request) error {
	b, have, err := s.Store.Original(r.Context(), capture.ID(r.PathValue("id")), r.PathValue("part"))
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Content-Length", strconv.Itoa(len(b)))
	w.Header().Set(wire.HaveHeader, wire.FormatRanges(have))
	_, err = w.Write(b)
	return ignore(err)
}

func (s *server) apiDrives(w http.ResponseWriter, _ *http.Request) error {
	return answer(w, s.Live.Drives(), nil)
}

// Status is what the API tells of the daemon itself.
type Status struct {
	Version string      `json:"version"`
	Site    string      `json:"site,omitempty"`
	Now     time.Time   `json:"now"`
	Drives  int         `json:"drives"`
	Watched int         `json:"watched"`
	Alerts  AlertCounts `json:"alerts"`
}

func (s *server) apiStatus(w http.ResponseWriter, _ *http.Request) error {
	status := Status{Version: s.Version, Site: s.Site, Now: s.Now().UTC(), Alerts: s.Alerts()}
	for _, d := range s.Live.Drives() {
		status.Drives++
		if d.Watched {
			status.Watched++
		}
	}
	return answer(w, status, nil)
}

// apiVerify recomputes every checksum and tells how it goes, a JSON object a
// line: progress now and then, at the end the report.
func (s *server) apiVerify(w http.ResponseWriter, r *http.Request) error {
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "application/jsonl")
	lines := json.NewEncoder(w)
	say := func(l wire.VerifyLine) {
		_ = out.SetWriteDeadline(time.Now().Add(time.Minute)) // a reader that went away must not hold this up
		_ = lines.Encode(l)
		_ = out.Flush()
	}
	var last time.Time
	report, err := s.Store.Verify(r.Context(), func(done, total int) {
		if now := time.Now(); done == total || now.Sub(last) > 100*time.Millisecond {
			last = now
			say(wire.VerifyLine{Progress: &wire.Progress{Done: done, Total: total}})
		}
	})
	line := wire.VerifyLine{Report: &report}
	if err != nil { // the status is sent already, so it is said here
		failure := wire.FailureOf(err)
		line = wire.VerifyLine{Failure: &failure}
	}
	say(line)
	return nil
}

func (s *server) apiNowhere(http.ResponseWriter, *http.Request) error {
	return &refusal{http.StatusNotFound, "the API has no such address", "/api/v1/openapi.yaml describes all that it has"}
}
