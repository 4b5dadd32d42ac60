package web

import (
	"container/list"
	"context"
	"html/template"
	"sync"

	"faultkeep/daemon/report"
	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// How much is remembered: small pictures of a few pages, and the samples of
// the captures that somebody is looking at. Captures never change, so neither
// goes stale.
const (
	mostPictures = 400
	mostSamples  = 8 << 20 // values, in all: 64 MiB
)

type pictures struct {
	small   *recent[template.HTML]
	samples *recent[[]capture.Series]
}

func newPictures() *pictures {
	return &pictures{newRecent[template.HTML](mostPictures), newRecent[[]capture.Series](mostSamples)}
}

const smallWidth, smallHeight = 280, 66

// picture is a capture's small picture, or words where it can't be drawn.
func (s *server) picture(ctx context.Context, c capture.Capture) template.HTML {
	if svg, ok := s.pictures.small.get(c.ID); ok {
		return svg
	}
	series, err := wire.Samples(ctx, s.Store, c) // not through the samples' memory: a page of cards would sweep it
	if err != nil {
		s.Log.Warn("no small picture", "capture", c.ID, "err", err)
		return "no picture"
	}
	svg := template.HTML(report.Small(c, series, smallWidth, smallHeight)) //nolint:gosec // report escapes every text
	s.pictures.small.put(c.ID, svg, 1)
	return svg
}

// load is a capture with its samples.
func (s *server) load(ctx context.Context, id string) (capture.Capture, []capture.Series, error) {
	c, err := s.exactly(ctx, id)
	if err != nil {
		return c, nil, err
	}
	if series, ok := s.pictures.samples.get(c.ID); ok {
		return c, series, nil
	}
	series, err := wire.Samples(ctx, s.Store, c)
	if err != nil {
		return c, nil, err
	}
	n := 0
	for _, one := range series {
		n += len(one)
	}
	s.pictures.samples.put(c.ID, series, n)
	return c, series, nil
}

// recent remembers what was used last, up to a total weight.
type recent[V any] struct {
	mu    sync.Mutex
	most  int
	total int
	order *list.List // of *remembered, the last used first
	byID  map[capture.ID]*list.Element
}

type remembered[V any] struct {
	id     capture.ID
	value  V
	weight int
}

func newRecent[V any](most int) *recent[V] {
	return &recent[V]{most: most, order: list.New(), byID: map[capture.ID]*list.Element{}}
}

func (r *recent[V]) get(id capture.ID) (v V, ok bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	e, ok := r.byID[id]
	if !ok {
		return v, false
	}
	r.order.MoveToFront(e)
	return e.Value.(*remembered[V]).value, true
}

func (r *recent[V]) put(id capture.ID, v V, weight int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, ok := r.byID[id]; ok || weight > r.most {
		return
	}
	r.byID[id] = r.order.PushFront(&remembered[V]{id, v, weight})
	for r.total += weight; r.total > r.most; {
		e := r.order.Back()
		old := e.Value.(*remembered[V])
		r.order.Remove(e)
		delete(r.byID, old.id)
		r.total -= old.weight
	}
}
