package web

import (
	"context"
	"encoding/json"
	"net/http"
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

func (s *server) apiStudy(w http.ResponseWriter, r *http.Request) error {
	return s.apiFound(w, r, s.Store.Study)
}

func (s *server) apiAnalyse(w http.ResponseWriter, r *http.Request) error {
	return s.apiFound(w, r, s.Store.Analyse)
}

func (s *server) apiFound(w http.ResponseWriter, r *http.Request, find func(context.Context, capture.ID, *time.Location) (capture.Study, error)) error {
	q, err := query(r.URL.Query())
	if err != nil {
		return err
	}
	if q.Zone == nil {
		q.Zone = s.Zone
	}
	st, err := find(r.Context(), capture.ID(r.PathValue("id")), q.Zone)
	return answer(w, st, err)
}

func (s *server) apiRecurrences(w http.ResponseWriter, r *http.Request) error {
	return listed(w, r, func(ctx context.Context, q wire.Query) ([]wire.Recurrence, error) {
		if q.Zone == nil {
			q.Zone = s.Zone
		}
		return s.Store.Recurrences(ctx, q)
	})
}

func (s *server) apiRepairs(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.Repairs(r.Context(), r.URL.Query().Get("drive"))
	return answer(w, list, err)
}

func (s *server) apiAddRepair(w http.ResponseWriter, r *http.Request) error {
	return s.repair(w, r, s.Store.AddRepair)
}

func (s *server) apiDropRepair(w http.ResponseWriter, r *http.Request) error {
	return s.repair(w, r, s.Store.DropRepair)
}

func (s *server) repair(w http.ResponseWriter, r *http.Request, do func(context.Context, capture.Repair) error) error {
	var one capture.Repair
	in := json.NewDecoder(r.Body)
	in.DisallowUnknownFields()
	if err := in.Decode(&one); err != nil {
		return wire.Say(wire.ErrRequest, "a repair is JSON with drive, at (RFC 3339), note and, where it was against one fault, fault")
	}
	return answer(w, one, do(r.Context(), one))
}
