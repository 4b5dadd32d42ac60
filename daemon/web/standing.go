package web

import (
	"errors"
	"net/http"

	"faultkeep/daemon/web/wire"
)

// Stands adds to how the store stands what is known only while faultkeep runs.
func Stands(s wire.Standing, site string, drives []DriveNow) wire.Standing {
	s.Site, s.Running, s.Drives = site, true, []wire.DriveStands{}
	for _, d := range drives {
		one := wire.DriveStands{Drive: d.Name, Title: d.Title, Watched: d.Watched || d.Pulling, Note: d.Note, Need: d.Figures.Need, Advice: d.Figures.Advice}
		if margin, ok := d.Figures.Margin(); ok {
			one.Stands = margin + one.Need
		}
		s.Drives = append(s.Drives, one)
	}
	return s
}

func (s *server) apiStanding(w http.ResponseWriter, r *http.Request) error {
	q, err := query(r.URL.Query())
	if err != nil {
		return err
	}
	stands, err := s.Store.Standing(r.Context(), q.Since)
	return answer(w, Stands(stands, s.Site, s.Live.Drives()), err)
}

func (s *server) apiBrief(w http.ResponseWriter, r *http.Request) error {
	b, err := s.Store.Brief(r.Context(), r.URL.Query().Get("id"))
	return answer(w, b, err)
}

// briefPolicy lets the brief have its own style and nothing else: it is a page
// by itself, such as it was sent and written to a file.
const briefPolicy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox"

// brief shows the last brief that was made by itself.
func (s *server) brief(w http.ResponseWriter, r *http.Request) error {
	b, err := s.Store.Brief(r.Context(), "")
	if errors.Is(err, wire.ErrNotFound) {
		return &refusal{http.StatusNotFound, "No brief was made yet.", "With brief: in the config one is made every day; `faultkeep brief` tells it at once."}
	}
	if err != nil {
		return err
	}
	w.Header().Set("Content-Security-Policy", briefPolicy)
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, err = w.Write([]byte(b.HTML))
	return ignore(err)
}
