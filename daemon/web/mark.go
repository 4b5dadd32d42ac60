package web

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// apiMark marks captures: id as often as there are captures, and reviewed or
// pinned with true or false.
func (s *server) apiMark(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	var m wire.Marking
	for _, id := range q["id"] {
		m.IDs = append(m.IDs, capture.ID(id))
	}
	var err error
	if m.Reviewed, err = yesNo(q, "reviewed"); err != nil {
		return err
	}
	if m.Pinned, err = yesNo(q, "pinned"); err != nil {
		return err
	}
	return answer(w, m, s.Store.Mark(r.Context(), m))
}

func yesNo(q url.Values, name string) (*bool, error) {
	if !q.Has(name) {
		return nil, nil
	}
	b, err := strconv.ParseBool(q.Get(name))
	if err != nil {
		return nil, wire.Say(wire.ErrRequest, strconv.Quote(name)+" is true or false.")
	}
	return &b, nil
}

// reviewed marks what the overnight page showed between two visits.
func (s *server) reviewed(ctx context.Context, since, until time.Time) error {
	captures, err := s.Store.Captures(ctx, wire.Query{Since: since, Until: until})
	if err != nil {
		return err
	}
	yes := true
	m := wire.Marking{Reviewed: &yes}
	for _, c := range captures {
		m.IDs = append(m.IDs, c.ID)
	}
	return s.Store.Mark(ctx, m)
}
