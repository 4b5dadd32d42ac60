package regmap

import (
	"fmt"
	"math"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/store/capture"
)

// region is a run of addresses that the map reads; path says what for.
type region struct {
	path       string
	table      Table
	start, end int
}

func (c *checker) arm() {
	in := c.in.Arm
	if in == nil {
		return
	}
	arm := &Arm{Within: 2 * time.Second}
	if in.Within != nil {
		arm.Within = in.Within.Std()
		if arm.Within <= 0 || arm.Within > maxWait {
			c.report("arm.within", fmt.Sprintf("is %v, wanted more than 0 and at most %v", in.Within, maxWait), "")
		}
	}
	if n := len(in.Writes); n == 0 && c.doc.Clean("arm.writes") {
		c.report("arm.writes", "is missing", "list what is written, such as - {holding: 100, value: 1}; leave out arm for a drive that arms by itself")
	} else if n > maxWrites {
		c.report("arm.writes", fmt.Sprintf("has %d entries; the most is %d", n, maxWrites), "")
		return
	}
	for i, from := range in.Writes {
		if w, ok := c.write(fmt.Sprintf("arm.writes[%d]", i), from); ok {
			arm.Writes = append(arm.Writes, w)
		}
	}
	c.m.Arm = arm
}

// settings are what arming sets first. They need an arm section: they are
// written only where that is, when nothing unkept is on the drive.
func (c *checker) settings() {
	if n := len(c.in.Settings); n > maxWrites {
		c.report("settings", fmt.Sprintf("has %d entries; the most is %d", n, maxWrites), "")
		return
	}
	if len(c.in.Settings) > 0 && c.in.Arm == nil {
		c.report("settings", "are written as part of arming, and there is no arm", "add arm, or leave settings out and use expect to check them")
	}
	for i, from := range c.in.Settings {
		path := fmt.Sprintf("settings[%d]", i)
		w, ok := c.write(path, from.fileWrite)
		if !ok {
			continue
		}
		if from.Name == "" {
			c.report(path+".name", "is missing", "say what is set, such as sample interval")
		}
		c.m.Settings = append(c.m.Settings, Setting{Name: from.Name, Write: w})
	}
}

func (c *checker) write(path string, from fileWrite) (w Write, ok bool) {
	if !c.doc.Clean(path) {
		return w, false
	}
	before := len(c.problems)
	key, table, address := c.table(path, &fileValue{Holding: from.Holding, Coil: from.Coil, Input: from.Input, Discrete: from.Discrete})
	w.Table, w.Address = table, address
	switch {
	case table == Input || table == Discrete:
		c.report(path+"."+key, "can't be written; only holding registers and coils can", "")
	case table == Coil && (from.Type != "" || from.Words != ""):
		c.report(path, "gives type or words for a coil, which is one bit", "leave them out")
	}
	kind := c.typed(path, from.Type, capture.Uint16)
	lowFirst := c.lowFirst(path, from.Words, kind.Words() > 1)
	if from.Value == nil {
		c.report(path+".value", "is missing", "say what is written")
	}
	if len(c.problems) > before {
		return w, false
	}
	var problem, hint string
	if table == Coil {
		w.Words, problem, hint = coilWord(string(*from.Value))
	} else {
		w.Words, problem, hint = words(string(*from.Value), kind, lowFirst)
	}
	if problem != "" {
		c.report(path+".value", problem, hint)
		return w, false
	}
	if int(address)+len(w.Words) > 65536 {
		c.report(path+"."+key, fmt.Sprintf("is %d, and %s takes %d registers, past the last address 65535", address, kind, kind.Words()), "")
		return w, false
	}
	return w, true
}

func coilWord(text string) (words []uint16, problem, hint string) {
	n, problem, hint := strict.Whole(text)
	if problem == "" && (n < 0 || n > 1) {
		problem = fmt.Sprintf("is %d; a coil takes 0 or 1", n)
	}
	return []uint16{uint16(n)}, problem, hint
}

// words turns a written value into registers in the order in which they are sent.
func words(text string, kind capture.Type, lowFirst bool) (out []uint16, problem, hint string) {
	var bits uint64
	if float(kind) {
		f, problem, hint := strict.Number(text)
		if problem != "" {
			return nil, problem, hint
		}
		bits = math.Float64bits(f)
		if kind == capture.Float32 {
			if math.Abs(f) > math.MaxFloat32 {
				return nil, fmt.Sprintf("is %s, which float32 can't hold", text), ""
			}
			bits = uint64(math.Float32bits(float32(f)))
		}
	} else {
		n, problem, hint := strict.Whole(text)
		if problem != "" {
			return nil, problem, hint
		}
		if low, high := span(kind); n < low || n > high {
			return nil, fmt.Sprintf("is %d; %s holds %d to %d", n, kind, low, high), ""
		}
		bits = uint64(n)
	}
	count := kind.Words()
	out = make([]uint16, count)
	for i := range out {
		at := count - 1 - i
		if lowFirst {
			at = i
		}
		out[at] = uint16(bits >> (16 * i))
	}
	if width(kind) == 8 {
		out[0] &= 0xff
	}
	return out, "", ""
}

// overlaps refuses writes to what the map says is read: a slip of one address
// there could change the evidence or the drive.
func (c *checker) overlaps() {
	d := c.m.Data
	if d.Layout == Block || d.Layout == Window {
		c.regions = append(c.regions, region{"data", d.Table, int(d.Address), c.m.dataEnd()})
	}
	if c.m.Arm != nil {
		for i, w := range c.m.Arm.Writes {
			c.clash(fmt.Sprintf("arm.writes[%d]", i), w.Table, int(w.Address), len(w.Words), "")
		}
	}
	for i, s := range c.m.Settings {
		c.clash(fmt.Sprintf("settings[%d]", i), s.Table, int(s.Address), len(s.Words), "")
	}
	if p := d.Page; d.Layout == Window && p.Table == Holding {
		c.clash("data.page", p.Table, int(p.Address), p.Words(), "data.shows")
	}
}

func (c *checker) clash(path string, table Table, address, count int, except string) {
	for _, r := range c.regions {
		if r.table != table || address >= r.end || address+count <= r.start || r.path == except || setting(r.path) {
			continue
		}
		c.report(path+"."+string(table), fmt.Sprintf("would write %s, which is read as %s", addresses(table, address, count), r.path), "check the address; faultkeep writes nothing that the map reads, but settings under expect")
		return
	}
}

// setting tells whether a region is one of the recorder's settings, which arming may set.
func setting(path string) bool { return len(path) > 6 && path[:6] == "expect" }
