package modbus

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

// status is what one poll showed. What it says was true at some moment
// between From and To.
type status struct {
	From, To time.Time
	State    capture.RecorderState
	Tripped  bool
	Code     uint32
	Count    int64 // the drive's own count of faults; −1 where it has none
	Identity string
	image    regmap.Image
}

// reading is a group of values with the requests that fetch them. A drive
// that refuses a request because it spans addresses that aren't there is
// asked in smaller pieces from then on.
type reading struct {
	line   *line
	values []regmap.Value
	reads  []regmap.Read
}

func newReading(l *line, m *regmap.Map, groups ...[]regmap.Value) *reading {
	var values []regmap.Value
	for _, g := range groups {
		values = append(values, g...)
	}
	return &reading{line: l, values: values, reads: regmap.Plan(values, m.Limits)}
}

func (r *reading) requests() int { return len(r.reads) }

func (r *reading) get(ctx context.Context) (regmap.Image, error) {
	var image regmap.Image
	for i := 0; i < len(r.reads); i++ {
		read := r.reads[i]
		answer, err := r.line.read(ctx, read)
		if errors.Is(err, link.IllegalAddress) {
			if parts := read.Split(r.values); len(parts) > 1 {
				r.reads = append(r.reads[:i:i], append(parts, r.reads[i+1:]...)...)
				i--
				continue
			}
		}
		if err != nil {
			return image, err
		}
		image.Add(read, answer)
	}
	return image, nil
}

// poller reads a drive's status, and its identity where that is free or asked for.
type poller struct {
	m       *regmap.Map
	status  *reading
	both    *reading // with identity
	live    *reading // status with live values
	allLive *reading // all three
}

func newPoller(l *line, m *regmap.Map) *poller {
	return &poller{m: m,
		status:  newReading(l, m, m.StatusValues()),
		both:    newReading(l, m, m.StatusValues(), m.IdentityValues()),
		live:    newReading(l, m, m.StatusValues(), m.LiveValues()),
		allLive: newReading(l, m, m.StatusValues(), m.IdentityValues(), m.LiveValues()),
	}
}

// sample is a poll that reads the live values too.
func (p *poller) sample(ctx context.Context, identity bool) (status, error) {
	return p.read(ctx, identity, p.live, p.allLive)
}

// poll reads the status; with identity where wanted or where it costs no
// further request.
func (p *poller) poll(ctx context.Context, identity bool) (status, error) {
	return p.read(ctx, identity, p.status, p.both)
}

func (p *poller) read(ctx context.Context, identity bool, without, with *reading) (status, error) {
	group := without
	if identity || with.requests() <= without.requests() {
		group = with
	}
	s := status{From: time.Now(), Count: -1}
	var err error
	if s.image, err = group.get(ctx); err != nil {
		return s, err
	}
	s.To = time.Now()
	s.State = p.state(s.image)
	s.Tripped, s.Code = p.fault(s.image)
	if v := p.m.Status.FaultCount; v != nil {
		if r, ok := s.image.Get(*v); ok {
			s.Count = r.Raw
		}
	}
	s.Identity = identityOf(p.m, s.image)
	return s, nil
}

func (p *poller) state(image regmap.Image) capture.RecorderState {
	if p.m.Status.State == nil {
		return capture.Unknown
	}
	r, ok := image.Get(*p.m.Status.State)
	if !ok || !r.Known {
		return capture.Unknown
	}
	return capture.RecorderState(r.Text)
}

// fault tells whether the drive has tripped: by its fault bit, or where the
// map names none, by a fault code that isn't zero.
func (p *poller) fault(image regmap.Image) (tripped bool, code uint32) {
	if v := p.m.Status.FaultCode; v != nil {
		if r, ok := image.Get(*v); ok {
			code = uint32(r.Raw)
		}
	}
	if v := p.m.Status.Fault; v != nil {
		r, ok := image.Get(*v)
		return ok && r.Raw != 0, code
	}
	return code != 0, code
}

// identityOf is what tells one recording from another, readable: "counter=17".
// It is empty where the map names nothing, or where it wasn't read.
func identityOf(m *regmap.Map, image regmap.Image) string {
	var b strings.Builder
	for i, v := range m.Identity {
		r, ok := image.Get(v)
		if !ok {
			return ""
		}
		if i > 0 {
			b.WriteByte(' ')
		}
		name := v.Name
		if name == "" {
			name = fmt.Sprintf("%s-%d", v.Table, v.Address)
		}
		if v.Type == capture.Float32 || v.Type == capture.Float64 {
			fmt.Fprintf(&b, "%s=%g", name, r.Number)
		} else {
			fmt.Fprintf(&b, "%s=%d", name, r.Raw)
		}
	}
	return b.String()
}
