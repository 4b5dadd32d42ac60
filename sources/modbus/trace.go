package modbus

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"time"

	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

// trace is the ring of what polls showed of the live values, and the piece of
// it that is wanted around a fault. It lives in memory; only what is kept of it
// is ever written.
type trace struct {
	before, after time.Duration
	values        []regmap.Value
	rows          []row
	wanted        *stretch
}

// row is what one poll showed.
type row struct {
	at     time.Time
	values []float64 // NaN where a value wasn't read
}

// stretch is the part of the trace around one incident.
type stretch struct {
	incident *incident
	at       time.Time // of the trip, as far as it is known
}

func newTrace(d *Drive) trace {
	t := trace{before: d.Config.traceBefore(), after: d.Config.traceAfter()}
	if t.before > 0 || t.after > 0 {
		t.values = d.Map.LiveValues()
	}
	return t
}

func (t *trace) on() bool { return len(t.values) > 0 }

// add takes in one poll and forgets what is too old to be wanted.
func (t *trace) add(s status) {
	if !t.on() {
		return
	}
	r := row{at: s.To, values: make([]float64, len(t.values))}
	for i, v := range t.values {
		r.values[i] = math.NaN()
		if reading, ok := s.image.Get(v); ok {
			r.values[i] = reading.Number
		}
	}
	t.rows = append(t.rows, r)
	from := s.To.Add(-t.before)
	if t.wanted != nil && t.wanted.at.Add(-t.before).Before(from) {
		from = t.wanted.at.Add(-t.before)
	}
	old := 0
	for old < len(t.rows) && t.rows[old].at.Before(from) {
		old++
	}
	if old > len(t.rows)/2 { // moving them now and then is cheaper than always
		t.rows = append([]row(nil), t.rows[old:]...)
	}
}

// traceIncident begins to want the trace around a new incident, and keeps the
// one wanted before as far as it came.
func (w *watch) traceIncident(ctx context.Context, i *incident) {
	if !w.trace.on() {
		return
	}
	if old := w.trace.wanted; old != nil && old.incident != i {
		w.keepTrace(ctx)
	}
	at := i.latest
	if at.IsZero() {
		at = time.Now()
	}
	w.trace.wanted = &stretch{i, at}
}

// traceDue keeps the wanted trace once it is complete and the incident told.
func (w *watch) traceDue(ctx context.Context) {
	p := w.trace.wanted
	if p != nil && p.incident.told && time.Since(p.at) >= w.trace.after {
		w.keepTrace(ctx)
	}
}

// stop keeps the trace that is wanted, as far as it came, before the watch ends.
func (w *watch) stop() {
	if p := w.trace.wanted; p != nil && p.incident.told {
		ctx, done := context.WithTimeout(context.Background(), time.Second)
		defer done()
		w.keepTrace(ctx)
	}
}

// keepTrace makes what there is of the wanted trace a capture: beside the
// incident's recording, or by itself where none could be had.
func (w *watch) keepTrace(ctx context.Context) {
	p := w.trace.wanted
	w.trace.wanted = nil
	c, data, ok := w.traceOf(p)
	if !ok {
		return
	}
	d, err := w.keeper.Draft(ctx, c)
	if err == nil {
		_, err = d.Keep(ctx, c, capture.Chunk{Part: capture.Data, Bytes: data})
	}
	if err != nil {
		w.trouble("the trace around a fault can't be kept: " + err.Error())
	}
}

// traceOf is the trace around an incident as a capture: one channel with the
// seconds from the trip, and one for each live value, as float64.
func (w *watch) traceOf(p *stretch) (c capture.Capture, data []byte, ok bool) {
	from, to := p.at.Add(-w.trace.before), p.at.Add(w.trace.after)
	trigger, n := 0, 0
	var first, last time.Time
	for _, r := range w.trace.rows {
		if r.at.Before(from) || r.at.After(to) {
			continue
		}
		if n == 0 {
			first = r.at
		}
		if r.at.Before(p.at) {
			trigger = n + 1
		}
		last = r.at
		n++
		data = appendFloat(data, r.at.Sub(p.at).Seconds())
		for _, v := range r.values {
			data = appendFloat(data, v)
		}
	}
	if n < 2 {
		return c, nil, false
	}
	float := capture.Coding{Type: capture.Float64, Scale: 1}
	c = capture.Capture{
		ID:     capture.NewID(p.at, w.Config.Name, "trace").TraceID(),
		Origin: capture.Trace, Of: p.incident.id,
		Site: w.Site, Drive: w.Config.Name, Title: w.Title(), DriveType: w.Map.Name, Fault: p.incident.fault,
		Trigger:  capture.Trigger{Time: p.at.UTC(), Earliest: p.incident.earliest.UTC(), Latest: p.at.UTC(), Index: min(trigger, n-1)},
		Timing:   capture.Timing{Samples: n, Interval: last.Sub(first).Seconds() / float64(n-1)},
		Channels: []capture.Channel{{Name: "time from the trip", Unit: "s", Role: capture.RoleOther}},
		Encoding: capture.Encoding{Order: capture.Interleaved, Channels: []capture.Coding{float}, Samples: n},
		Provenance: capture.Provenance{Source: "modbus", Address: w.object(), Map: w.Map.Name, MapHash: w.Map.Hash,
			Identity: fmt.Sprintf("trace %s", p.at.UTC().Format(time.RFC3339Nano)), Ready: last.UTC(), Opened: last.UTC()},
		Integrity: capture.Integrity{Whole: true, Verified: []string{"sampled by faultkeep at every poll"}},
	}
	if c.Of != "" {
		c.ID = c.Of.TraceID()
	}
	for _, v := range w.trace.values {
		c.Channels = append(c.Channels, capture.Channel{Name: v.Name, Unit: v.Unit, Role: roleOf(w.Map, v)})
		c.Encoding.Channels = append(c.Encoding.Channels, float)
	}
	c.Integrity.Size = int64(len(data))
	return c, data, true
}

// roleOf gives a live value the role of the channel or signal with its name,
// so that it has the same colour.
func roleOf(m *regmap.Map, v regmap.Value) capture.Role {
	for _, c := range m.Channels {
		if c.Name == v.Name {
			return c.Role
		}
	}
	for _, s := range m.Signals {
		if s.Name == v.Name {
			return s.Role
		}
	}
	return capture.RoleOther
}

func appendFloat(b []byte, v float64) []byte {
	return binary.BigEndian.AppendUint64(b, math.Float64bits(v))
}
