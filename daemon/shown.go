package daemon

import (
	"context"
	"sync"
	"time"

	"faultkeep/daemon/alert"
	"faultkeep/sources"
	"faultkeep/store/capture"
)

// shown are the drives' states for sinks that show them, each with the time
// since which it holds.
type shown struct {
	hub *hub

	mu     sync.Mutex
	last   map[string]capture.ID // capture of each drive kept last, since the start
	states map[string]alert.State
}

func newShown(h *hub) *shown {
	s := &shown{hub: h, last: map[string]capture.ID{}, states: map[string]alert.State{}}
	h.witness(func(o sources.Observation) {
		if o.Kind == sources.SeenKept {
			s.mu.Lock()
			s.last[o.Drive] = o.ID
			s.mu.Unlock()
		}
	})
	return s
}

// now are all drives and folders as they are.
func (s *shown) now() []alert.State {
	drives := s.hub.Drives()
	out := make([]alert.State, 0, len(drives))
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, d := range drives {
		is := alert.State{Drive: d.Name, Title: d.Title, Watched: d.Watched, State: d.State, Last: s.last[d.Name]}
		if d.Tripped {
			fault := d.Fault
			is.Fault = &fault
		}
		if !d.Watched {
			is.Note = d.Note
		}
		was, known := s.states[d.Name]
		is.Since = was.Since
		if !known || was.Watched != is.Watched || was.State != is.State || (was.Fault == nil) != (is.Fault == nil) || is.Fault != nil && *was.Fault != *is.Fault {
			is.Since = time.Now().UTC()
		}
		s.states[d.Name] = is
		out = append(out, is)
	}
	return out
}

// stand has every sink that shows what stands do so until ctx ends; the
// returned function waits until they have.
func (s *shown) stand(ctx context.Context, sinks map[string]alert.Sink) (wait func()) {
	var all sync.WaitGroup
	for _, sink := range sinks {
		if st, ok := sink.(alert.Standing); ok {
			all.Go(func() {
				changed, end := s.hub.Changes()
				defer end()
				st.Stand(ctx, s.now, changed)
			})
		}
	}
	return all.Wait
}
