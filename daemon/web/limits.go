package web

import (
	"errors"
	"net/http"
	"time"

	"faultkeep/daemon/web/wire"
)

// Times within which a server should be done with a request, for whoever
// serves the handler; what takes longer by its nature sets its own.
const (
	ReadWithin  = time.Minute
	WriteWithin = 5 * time.Minute

	downloadWithin = 10 * time.Minute
	takeWithin     = 30 * time.Minute // a capture of up to a gigabyte from the command line
)

// download takes one of the few places for downloads, each of which holds a
// whole capture in memory; done gives it back. A browser that takes too long is
// cut off.
func (s *server) download(w http.ResponseWriter) (done func(), err error) {
	select {
	case s.downloads <- struct{}{}:
	default:
		w.Header().Set("Retry-After", "5")
		return nil, &refusal{http.StatusServiceUnavailable, "Too many downloads run at this moment.", "Try again in a few seconds."}
	}
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(downloadWithin))
	return func() { <-s.downloads }, nil
}

// readForm reads what a form sends, within the bounds of the body.
func readForm(r *http.Request) error {
	err := r.ParseForm()
	var large *http.MaxBytesError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &large):
		return &refusal{http.StatusRequestEntityTooLarge, "That is more than this address takes.", ""}
	}
	return wire.Say(wire.ErrRequest, "This form can't be read.")
}
