package web

import (
	"io"
	"net/http"
	"strings"
)

// readyz answers 200 where faultkeep does its work, and else 503 with a word
// for each thing that keeps it from that. It says no more: anybody may ask.
func (s *server) readyz(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	var words []string
	if s.Unready != nil {
		words = s.Unready()
	}
	if len(words) == 0 {
		_, _ = io.WriteString(w, "ready\n")
		return
	}
	w.WriteHeader(http.StatusServiceUnavailable)
	_, _ = io.WriteString(w, strings.Join(words, "\n")+"\n")
}
