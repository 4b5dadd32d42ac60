package web

import (
	"encoding/json"
	"io"
	"net/http"
	"strconv"
	"time"

	"faultkeep/daemon/web/wire"
)

// slowest is how long a reader may take to take the next piece of an answer.
const slowest = time.Minute

// maintainer is the store, if it can be taken care of.
func (s *server) maintainer() (wire.Maintainer, error) {
	if m, ok := s.Store.(wire.Maintainer); ok {
		return m, nil
	}
	return nil, &refusal{http.StatusNotImplemented, "this store can't be copied", ""}
}

// apiBackup sends a copy of the store. The answer begins when the copy is
// made, with its length, so that one that was cut off can be told.
func (s *server) apiBackup(w http.ResponseWriter, r *http.Request) error {
	m, err := s.maintainer()
	if err != nil {
		return err
	}
	begun := false
	err = m.Backup(r.Context(), &patient{w, http.NewResponseController(w)}, func(size int64) {
		begun = true
		w.Header().Set("Content-Type", "application/octet-stream")
		w.Header().Set("Content-Length", strconv.FormatInt(size, 10))
	})
	if err != nil && begun {
		s.Log.Warn("a backup was cut off", "err", err)
		panic(http.ErrAbortHandler) // the status is sent already; the length says it
	}
	return err
}

// patient gives every piece of an answer its own time limit.
type patient struct {
	io.Writer
	out *http.ResponseController
}

func (p *patient) Write(b []byte) (int, error) {
	_ = p.out.SetWriteDeadline(time.Now().Add(slowest))
	return p.Writer.Write(b)
}

// apiCompact compacts the store and tells how it goes, a JSON object a line.
func (s *server) apiCompact(w http.ResponseWriter, r *http.Request) error {
	m, err := s.maintainer()
	if err != nil {
		return err
	}
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "application/jsonl")
	lines := json.NewEncoder(w)
	say := func(l wire.CompactLine) {
		_ = out.SetWriteDeadline(time.Now().Add(slowest))
		_ = lines.Encode(l)
		_ = out.Flush()
	}
	say(wire.CompactLine{Progress: &wire.Moved{}})
	var last time.Time
	done, err := m.Compact(r.Context(), func(done, total int64) {
		if now := time.Now(); now.Sub(last) > 100*time.Millisecond {
			last = now
			say(wire.CompactLine{Progress: &wire.Moved{Done: done, Total: total}})
		}
	})
	line := wire.CompactLine{Compacted: &done}
	if err != nil { // the status is sent already, so it is said here
		failure := wire.FailureOf(err)
		line = wire.CompactLine{Failure: &failure}
	}
	say(line)
	return nil
}
