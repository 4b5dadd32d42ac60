package web

import (
	"context"
	"fmt"
	"sync"
	"time"

	"faultkeep/daemon/envelope"
	"faultkeep/store/capture"
)

const (
	mostPyramids = 64 << 20 // bytes that are remembered of pyramids
	mostWaves    = 3        // waveforms that are loaded, or looked through sample by sample, at once
	longestLoad  = time.Minute
)

// waves remembers the pyramids of the captures that somebody is looking at.
// Ten who open the same one have it built once.
type waves struct {
	pyramids *recent[*envelope.Pyramid]
	slots    chan struct{}
	mu       sync.Mutex
	flights  map[capture.ID]*flight
}

// waveform is a capture with all its samples and their pyramid.
type waveform struct {
	capture.Capture
	series  []capture.Series
	pyramid *envelope.Pyramid
}

// flight is a waveform on its way.
type flight struct {
	done chan struct{} // closed when the rest is there
	wave waveform
	err  error
}

func newWaves() *waves {
	return &waves{pyramids: newRecent[*envelope.Pyramid](mostPyramids), slots: make(chan struct{}, mostWaves), flights: map[capture.ID]*flight{}}
}

// slot waits for leave to do something heavy; call done after it.
func (w *waves) slot(ctx context.Context) (done func(), err error) {
	select {
	case w.slots <- struct{}{}:
		return func() { <-w.slots }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// waveform is the capture under a whole ID with its samples and pyramid. Nothing
// of the store is held once it is there.
func (s *server) waveform(ctx context.Context, id string) (waveform, error) {
	c, err := s.exactly(ctx, id)
	if err != nil {
		return waveform{}, err
	}
	if pyramid, ok := s.waves.pyramids.get(c.ID); ok {
		if series, ok := s.pictures.samples.get(c.ID); ok {
			return waveform{c, series, pyramid}, nil
		}
	}
	f, first := s.waves.join(c.ID)
	if first {
		// Whoever asked first may go away; the others still wait.
		go s.fly(context.WithoutCancel(ctx), c, f)
	}
	select {
	case <-f.done:
		return f.wave, f.err
	case <-ctx.Done():
		return waveform{}, ctx.Err()
	}
}

func (w *waves) join(id capture.ID) (f *flight, first bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if f := w.flights[id]; f != nil {
		return f, false
	}
	f = &flight{done: make(chan struct{})}
	w.flights[id] = f
	return f, true
}

func (s *server) fly(ctx context.Context, c capture.Capture, f *flight) {
	ctx, cancel := context.WithTimeout(ctx, longestLoad)
	defer cancel()
	defer func() {
		if p := recover(); p != nil {
			f.err = fmt.Errorf("capture %s: its samples can't be looked through: %v", c.ID, p)
		}
		s.waves.mu.Lock()
		delete(s.waves.flights, c.ID)
		s.waves.mu.Unlock()
		close(f.done)
	}()
	done, err := s.waves.slot(ctx)
	if err != nil {
		f.err = err
		return
	}
	defer done()
	c, series, err := s.load(ctx, string(c.ID))
	if err != nil {
		f.err = err
		return
	}
	pyramid, ok := s.waves.pyramids.get(c.ID)
	if !ok {
		pyramid = envelope.New(c, series)
		s.waves.pyramids.put(c.ID, pyramid, pyramid.Size())
	}
	f.wave = waveform{c, series, pyramid}
}
