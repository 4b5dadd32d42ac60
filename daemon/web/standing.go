package web

import (
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
