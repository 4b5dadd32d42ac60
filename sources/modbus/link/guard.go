package link

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"faultkeep/sources"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

// The kinds of writes there are; a drive's config allows each by name.
const (
	Page = "page"     // show a page of the recording (layout window)
	Arm  = "arm"      // arm the recorder again
	Set  = "settings" // give the recorder its settings before arming
)

// ErrForbidden is a write that the Guard doesn't let through.
var ErrForbidden = errors.New("not written")

// Written is one write that went out, with how it ended.
type Written struct {
	Kind  string
	Unit  uint8
	Write regmap.Write
	Text  string // "holding 40 = 1"
	Err   error  // not nil: refused, or not confirmed
}

// Guard stands before every write to one drive. What it lets through:
//
//   - a page select: only to the map's page register, only the values of
//     pages that the recording told with Holds has;
//   - settings: only the map's own, and only after Released;
//   - arming: only the map's own writes in their order, once for every Released.
//
// Each kind must be allowed by the config too. Unit 0, which means every
// drive on a line, is never written.
type Guard struct {
	endpoint *Endpoint
	unit     uint8
	allowed  map[string]bool
	data     regmap.Data
	status   regmap.Status
	live     []regmap.Value
	arm      []regmap.Write
	settings []regmap.Write
	noted    func(Written)

	mu       sync.Mutex
	pages    int
	released bool
}

// mostArmWrites bounds what one arming may send.
const mostArmWrites = 64

// NewGuard guards the writes to one unit of an endpoint. allow lists the
// kinds of writes that the config allows. noted is called after every write;
// it may be nil.
func NewGuard(e *Endpoint, unit uint8, m *regmap.Map, allow []string, noted func(Written)) *Guard {
	g := &Guard{endpoint: e, unit: unit, allowed: map[string]bool{}, data: m.Data, noted: noted}
	for _, kind := range allow {
		g.allowed[kind] = true
	}
	// Copies, so that nothing done to the map later changes what is written.
	if m.Data.Shows != nil {
		shows := *m.Data.Shows
		g.data.Shows = &shows
	}
	if m.Arm != nil {
		for _, w := range m.Arm.Writes {
			w.Words = append([]uint16(nil), w.Words...)
			g.arm = append(g.arm, w)
		}
	}
	for _, s := range m.Settings {
		g.settings = append(g.settings, regmap.Write{Table: s.Table, Address: s.Address, Words: append([]uint16(nil), s.Words...)})
	}
	for from, to := range map[*regmap.Value]**regmap.Value{m.Status.Fault: &g.status.Fault,
		m.Status.FaultCode: &g.status.FaultCode, m.Status.Warning: &g.status.Warning} {
		if from != nil {
			v := *from
			*to = &v
		}
	}
	g.live = append([]regmap.Value(nil), m.Live...)
	return g
}

// Allowed tells whether the config allows a kind of write.
func (g *Guard) Allowed(kind string) bool { return g.allowed[kind] }

// Holds tells the guard that the drive holds a recording of so many bytes
// that isn't kept. Its pages may be shown, and arming is off.
func (g *Guard) Holds(bytes int64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.released = false
	g.pages = 0
	if words := int64(g.data.Length); words > 0 && bytes > 0 {
		g.pages = int(min(1<<16, 1+(bytes-1)/2/words))
	}
}

// Released tells the guard that nothing on the drive is unkept: Keep has
// returned nil, or there is no recording. It permits one arming.
func (g *Guard) Released() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.released = true
	g.pages = 0
}

// Page shows one page of the recording, counted from 0.
func (g *Guard) Page(ctx context.Context, page int) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	w, why := g.pageWrite(page)
	if why == "" {
		why = g.forbids(Page)
	}
	if why != "" {
		return g.forbid(fmt.Sprintf("show page %d", page), why)
	}
	return g.write(ctx, Page, w)
}

// Arm writes what the map says arms the recorder. It stops at the first
// write that fails, and needs Released again for another try.
func (g *Guard) Arm(ctx context.Context) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	why := g.forbids(Arm)
	switch {
	case why != "":
	case len(g.arm) == 0:
		why = "the map names no writes for arming"
	case len(g.arm) > mostArmWrites:
		why = fmt.Sprintf("the map names %d writes for arming, %d at most are sent", len(g.arm), mostArmWrites)
	case !g.released:
		why = "the drive may hold a recording that isn't kept"
	}
	for _, w := range g.arm {
		if why == "" {
			why = g.armForbids(w)
		}
	}
	if why != "" {
		return g.forbid("arm the recorder", why)
	}
	g.released = false
	for _, w := range g.arm {
		if err := g.write(ctx, Arm, w); err != nil {
			return err
		}
	}
	return nil
}

// Set writes one of the map's settings, counted from 0.
func (g *Guard) Set(ctx context.Context, setting int) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	why := g.forbids(Set)
	switch {
	case why != "":
	case setting < 0 || setting >= len(g.settings):
		why = fmt.Sprintf("the map has %d settings", len(g.settings))
	case !g.released:
		why = "the drive may hold a recording that isn't kept"
	default:
		why = g.armForbids(g.settings[setting])
	}
	if why != "" {
		return g.forbid(fmt.Sprintf("write setting %d", setting+1), why)
	}
	return g.write(ctx, Set, g.settings[setting])
}

func (g *Guard) forbids(kind string) string {
	switch {
	case !g.allowed[kind]:
		return fmt.Sprintf("the config doesn't allow it; add allow: [%s] to this drive if it may be written to", kind)
	case g.unit == 0:
		return "unit 0 means every drive on the line; give the drive's own unit number"
	}
	return ""
}

// pageWrite is the write that shows a page, or why it must not be done.
func (g *Guard) pageWrite(page int) (w regmap.Write, why string) {
	d := g.data
	switch {
	case d.Layout != regmap.Window:
		return w, fmt.Sprintf("the map's layout is %q and has no pages", d.Layout)
	case d.Page.Table != regmap.Holding:
		return w, fmt.Sprintf("the map's page register is in %q; only a holding register can be written", d.Page.Table)
	case d.Page.Bit >= 0 || d.Page.Mask != 0:
		return w, "the map's page register is shared with other bits, which a write would change"
	case page < 0 || page >= g.pages:
		return w, fmt.Sprintf("the recording has %d pages", g.pages)
	}
	const far = 1 << 40 // keeps the arithmetic below from overflowing
	first, step := int64(d.First), int64(d.Step)
	if first < -far || first > far || step < -far || step > far || step == 0 {
		return w, fmt.Sprintf("the map's pages, first %d, step %d, aren't numbers of a register", d.First, d.Step)
	}
	value := first + int64(page)*step
	var low, high int64
	switch d.Page.Type {
	case capture.Uint16:
		high = 1<<16 - 1
	case capture.Int16:
		low, high = -1<<15, 1<<15-1
	case capture.Uint32:
		high = 1<<32 - 1
	case capture.Int32:
		low, high = -1<<31, 1<<31-1
	default:
		return w, fmt.Sprintf("the map's page register has type %q; 16 or 32 bit integers can be written", d.Page.Type)
	}
	if value < low || value > high {
		return w, fmt.Sprintf("its number %d doesn't fit the map's page register, %s", value, d.Page.Type)
	}
	w = regmap.Write{Table: regmap.Holding, Address: d.Page.Address, Words: []uint16{uint16(value)}}
	if d.Page.Type.Words() == 2 {
		w.Words = []uint16{uint16(value >> 16), uint16(value)}
		if d.Page.LowFirst {
			w.Words[0], w.Words[1] = w.Words[1], w.Words[0]
		}
	}
	if err := checkWrite(w); err != nil {
		return w, err.Error()
	}
	return w, g.overwrites(w)
}

// armForbids says why a write of the map can't be part of arming: it isn't
// possible, or it goes where the map itself says that something else is shown.
func (g *Guard) armForbids(w regmap.Write) string {
	if err := checkWrite(w); err != nil {
		return err.Error()
	}
	return g.overwrites(w)
}

// overwrites says whether a write would go where the map shows a status or
// live value: what is shown there isn't the recorder's to change.
func (g *Guard) overwrites(w regmap.Write) string {
	shown := append([]regmap.Value(nil), g.live...)
	for _, v := range []*regmap.Value{g.status.Fault, g.status.FaultCode, g.status.Warning} {
		if v != nil {
			shown = append(shown, *v)
		}
	}
	for _, v := range shown {
		size := 1
		if !v.Table.Bits() {
			size = max(1, v.Type.Words())
		}
		if v.Table == w.Table && int(v.Address) < int(w.Address)+len(w.Words) && int(w.Address) < int(v.Address)+size {
			return fmt.Sprintf("%s would overwrite what the map reads as %q; faultkeep never writes to status or live values",
				opWrite(w), v.Name)
		}
	}
	return ""
}

func (g *Guard) forbid(op, why string) error {
	return &sources.Error{Op: op, Object: g.endpoint.object(g.unit), Err: fmt.Errorf("%w: %s", ErrForbidden, why), Permanent: true}
}

// write is the only place where faultkeep writes to a drive.
func (g *Guard) write(ctx context.Context, kind string, w regmap.Write) error {
	sent := false
	err := g.endpoint.do(ctx, g.unit, func(l Link) error {
		sent = true
		return l.Write(ctx, g.unit, w)
	})
	var never *unsent
	if sent && !errors.As(err, &never) && g.noted != nil {
		g.noted(Written{Kind: kind, Unit: g.unit, Write: w, Text: opWrite(w), Err: err})
	}
	return Classify(g.endpoint.object(g.unit), "write "+opWrite(w), err)
}
