package web

import (
	"net/http"
	"time"
)

// How often a page is told of changes at most, and how often a quiet stream
// shows that it is alive.
const (
	notOftener = 500 * time.Millisecond
	heartbeat  = 15 * time.Second
)

// events is a stream of server-sent events: "change" whenever something shown
// has changed. The page then asks for what it shows; nothing else is sent.
func (s *server) events(w http.ResponseWriter, r *http.Request) {
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "30")
		http.Error(w, "Too many pages are open. This one stays as it is until it is loaded again.", http.StatusServiceUnavailable)
		return
	}
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	changes, cancel := s.Live.Changes()
	defer cancel()
	send := func(text string) bool {
		// A reader that is gone or asleep must not hold its place for ever.
		// Over HTTP/2 the deadline ends it even between two messages.
		_ = out.SetWriteDeadline(time.Now().Add(2 * heartbeat))
		_, err := w.Write([]byte(text))
		return err == nil && out.Flush() == nil
	}
	if !send("retry: 2000\n\nevent: change\ndata: {}\n\n") {
		return
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-beat.C:
			if !send("event: beat\ndata: {}\n\n") {
				return
			}
		case _, open := <-changes:
			if !open || !send("event: change\ndata: {}\n\n") {
				return
			}
			select {
			case <-r.Context().Done():
				return
			case <-time.After(notOftener):
			}
		}
	}
}
