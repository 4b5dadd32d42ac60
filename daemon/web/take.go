package web

import (
	"net/http"
	"time"

	"faultkeep/daemon/web/wire"
)

// taker is the store, if captures can be put into it.
func (s *server) taker() (wire.Taker, error) {
	if t, ok := s.Store.(wire.Taker); ok {
		return t, nil
	}
	return nil, &refusal{http.StatusNotImplemented, "nothing can be put into this store", ""}
}

// apiArrived tells what was kept of files with a content.
func (s *server) apiArrived(w http.ResponseWriter, r *http.Request) error {
	t, err := s.taker()
	if err != nil {
		return err
	}
	a, err := t.Arrived(r.Context(), r.PathValue("hash"))
	return answer(w, a, err)
}

// apiReadNow takes files with a content off the list of unread ones.
func (s *server) apiReadNow(w http.ResponseWriter, r *http.Request) error {
	t, err := s.taker()
	if err != nil {
		return err
	}
	return answer(w, struct{}{}, t.ReadNow(r.Context(), r.PathValue("hash")))
}

// apiTake keeps a capture that was read from files. It answers with the
// capture as it is kept, once it is.
func (s *server) apiTake(w http.ResponseWriter, r *http.Request) error {
	t, err := s.taker()
	if err != nil {
		return err
	}
	_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(takeWithin))
	c, chunks, err := wire.ReadTake(r.Body)
	if err != nil {
		return err
	}
	if err := wire.CheckTaken(c); err != nil {
		return err
	}
	kept, err := t.Take(r.Context(), c, chunks)
	return answer(w, kept, err)
}
