package regmap

import (
	"cmp"
	"slices"
)

// interval is a run of addresses that must be read at once, or a number could
// be made of an old half and a new one.
type interval struct{ start, end int }

// Plan groups values into the fewest requests: none crosses tables, is longer
// than limits.Registers, or reads more than limits.Bridge unmapped registers in a row.
// Among plans of that many requests it reads the fewest registers. A value is
// never split over two requests; Parse refuses values wider than limits.Registers.
func Plan(values []Value, limits Limits) []Read {
	var reads []Read
	for _, table := range []Table{Holding, Input, Coil, Discrete} {
		var runs []interval
		for _, v := range values {
			if v.Table == table {
				runs = append(runs, interval{int(v.Address), v.End()})
			}
		}
		slices.SortFunc(runs, func(a, b interval) int { return cmp.Or(cmp.Compare(a.start, b.start), cmp.Compare(a.end, b.end)) })
		runs = slices.Compact(runs)
		for len(runs) > 0 {
			n := reach(runs, limits.Bridge)
			for _, g := range group(runs[:n], max(1, limits.Registers)) {
				reads = append(reads, Read{table, uint16(g.start), uint16(g.end - g.start)})
			}
			runs = runs[n:]
		}
	}
	return reads
}

// reach is how many of the sorted runs follow each other without a gap that
// is too wide to bridge.
func reach(runs []interval, bridge int) int {
	end := runs[0].end
	for i, run := range runs {
		if run.start-end > bridge {
			return i
		}
		end = max(end, run.end)
	}
	return len(runs)
}

// group covers sorted runs with the fewest intervals of at most most
// addresses, and among those with the fewest addresses. Groups of neighbours
// in the sorted order suffice: a run moved to the last group that starts
// before it never makes that group too long.
func group(runs []interval, most int) []interval {
	type cost struct{ requests, registers, from int }
	best := make([]cost, len(runs)+1) // best[i]: for runs[:i]
	for i := 1; i <= len(runs); i++ {
		end := 0
		for from := i - 1; from >= 0; from-- {
			start := runs[from].start
			end = max(end, runs[from].end)
			if end-start > most && from < i-1 {
				break
			}
			c := cost{best[from].requests + 1, best[from].registers + end - start, from}
			if best[i].requests == 0 || cmp.Or(cmp.Compare(c.requests, best[i].requests), cmp.Compare(c.registers, best[i].registers)) < 0 {
				best[i] = c
			}
		}
	}
	var groups []interval
	for i := len(runs); i > 0; i = best[i].from {
		g := interval{runs[best[i].from].start, 0}
		for _, run := range runs[best[i].from:i] {
			g.end = max(g.end, run.end)
		}
		groups = append(groups, g)
	}
	slices.Reverse(groups)
	return groups
}

// Split is the read as exact requests without unmapped registers between the
// values: what to ask when a drive refuses a bridged read with exception 02.
func (r Read) Split(values []Value) []Read {
	var inside []Value
	for _, v := range values {
		if v.Table == r.Table && v.Address >= r.Address && v.End() <= r.End() {
			inside = append(inside, v)
		}
	}
	return Plan(inside, Limits{Registers: int(r.Count)})
}

// End is the first address after the read, up to 65536.
func (r Read) End() int { return int(r.Address) + int(r.Count) }

// Image is what was read of a drive. The zero Image is empty and ready to use.
type Image struct {
	parts []part
}

type part struct {
	read  Read
	bytes []byte
}

// Add puts an answer into the image: 2 bytes a register, or 1 byte a bit.
// A later answer covers an earlier one. Short answers are ignored.
func (img *Image) Add(r Read, b []byte) {
	size := int(r.Count) * r.Table.width()
	if len(b) < size || size == 0 {
		return
	}
	img.parts = slices.DeleteFunc(img.parts, func(p part) bool { return p.read == r })
	img.parts = append(img.parts, part{r, slices.Clone(b[:size])})
}

// Get decodes a value; ok is false where no one answer holds all of it.
func (img Image) Get(v Value) (reading Reading, ok bool) {
	b, ok := img.Bytes(v)
	if !ok {
		return Reading{}, false
	}
	return v.Decode(b), true
}

// Bytes are the value's registers or bit as read.
func (img Image) Bytes(v Value) (b []byte, ok bool) {
	for _, p := range slices.Backward(img.parts) {
		if p.read.Table == v.Table && p.read.Address <= v.Address && v.End() <= p.read.End() {
			at := int(v.Address-p.read.Address) * v.Table.width()
			return p.bytes[at : at+v.Words()*v.Table.width()], true
		}
	}
	return nil, false
}

// width is the number of bytes that one address of the table gives.
func (t Table) width() int {
	if t.Bits() {
		return 1
	}
	return 2
}
