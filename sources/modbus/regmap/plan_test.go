package regmap_test

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

func drawValues(t *rapid.T, most, span int, tables ...regmap.Table) []regmap.Value {
	n := rapid.IntRange(0, most).Draw(t, "values")
	values := make([]regmap.Value, n)
	for i := range values {
		values[i] = value(rapid.SampledFrom([]capture.Type{capture.Uint16, capture.Uint32, capture.Float64}).Draw(t, "type"))
		values[i].Table = rapid.SampledFrom(tables).Draw(t, "table")
		values[i].Address = uint16(rapid.IntRange(0, span).Draw(t, "address"))
	}
	return values
}

func TestPlanKeepsTheLimits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := drawValues(t, 40, 300, regmap.Holding, regmap.Input, regmap.Coil, regmap.Discrete)
		limits := regmap.Limits{Registers: rapid.IntRange(4, 125).Draw(t, "registers"), Bridge: rapid.IntRange(0, 30).Draw(t, "bridge")}
		reads := regmap.Plan(values, limits)
		if why := wrong(values, reads, limits); why != "" {
			t.Fatal(why)
		}
		for _, r := range reads {
			exact := limits
			exact.Bridge = 0
			if why := wrong(within(values, r), r.Split(values), exact); why != "" {
				t.Fatalf("split of %v: %s", r, why)
			}
		}
	})
}

// wrong says what makes reads a bad plan for values, or "".
func wrong(values []regmap.Value, reads []regmap.Read, limits regmap.Limits) string {
	mapped := map[regmap.Read]bool{}
	for _, v := range values {
		for a := range v.Words() {
			mapped[regmap.Read{Table: v.Table, Address: v.Address + uint16(a), Count: 1}] = true
		}
		covered := false
		for _, r := range reads {
			covered = covered || r.Table == v.Table && r.Address <= v.Address && v.End() <= r.End()
		}
		if !covered {
			return fmt.Sprintf("%s is not read at once", v.Place())
		}
	}
	for _, r := range reads {
		if int(r.Count) > limits.Registers || r.Count == 0 {
			return fmt.Sprintf("%v reads %d", r, r.Count)
		}
		gap := 0
		for a := range int(r.Count) {
			if mapped[regmap.Read{Table: r.Table, Address: r.Address + uint16(a), Count: 1}] {
				gap = 0
			} else if gap++; gap > limits.Bridge {
				return fmt.Sprintf("%v crosses more than %d unmapped registers", r, limits.Bridge)
			}
		}
	}
	return ""
}

func within(values []regmap.Value, r regmap.Read) (out []regmap.Value) {
	for _, v := range values {
		if v.Table == r.Table && r.Address <= v.Address && v.End() <= r.End() {
			out = append(out, v)
		}
	}
	return out
}

// Every way to part a few values into groups is tried: none makes a lawful
// plan of fewer requests, or of as many requests and fewer registers.
func TestPlanIsTheSmallest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := drawValues(t, 7, 24, regmap.Holding)
		limits := regmap.Limits{Registers: rapid.IntRange(4, 12).Draw(t, "registers"), Bridge: rapid.IntRange(0, 5).Draw(t, "bridge")}
		best := [2]int{1 << 30, 0}
		groups := make([]int, len(values))
		var try func(i, used int)
		try = func(i, used int) {
			if i < len(values) {
				for g := range used + 1 {
					groups[i] = g
					try(i+1, max(used, g+1))
				}
				return
			}
			reads := make([]regmap.Read, used)
			for j, v := range values {
				r := &reads[groups[j]]
				if r.Count == 0 {
					*r = regmap.Read{Table: v.Table, Address: v.Address, Count: uint16(v.Words())}
					continue
				}
				start, end := min(int(r.Address), int(v.Address)), max(r.End(), v.End())
				r.Address, r.Count = uint16(start), uint16(end-start)
			}
			if wrong(values, reads, limits) == "" {
				if c := size(reads); c[0] < best[0] || c[0] == best[0] && c[1] < best[1] {
					best = c
				}
			}
		}
		try(0, 0)
		if got := size(regmap.Plan(values, limits)); got != best {
			t.Fatalf("plan %v has requests and registers %v, the best %v", regmap.Plan(values, limits), got, best)
		}
	})
}

func size(reads []regmap.Read) [2]int {
	total := 0
	for _, r := range reads {
		total += int(r.Count)
	}
	return [2]int{len(reads), total}
}

func TestPlanAtTheEndOfTheTable(t *testing.T) {
	last := value(capture.Uint16)
	last.Address = 65535
	wide := value(capture.Uint64)
	wide.Address = 65532
	reads := regmap.Plan([]regmap.Value{last, wide}, regmap.Limits{Registers: 125})
	if len(reads) != 1 || reads[0] != (regmap.Read{Table: regmap.Holding, Address: 65532, Count: 4}) {
		t.Errorf("got %v", reads)
	}
}

func TestImage(t *testing.T) {
	var img regmap.Image
	v := value(capture.Uint32)
	v.Address = 10
	if _, ok := img.Get(v); ok {
		t.Error("an empty image has a value")
	}
	r := regmap.Read{Table: regmap.Holding, Address: 9, Count: 3}
	img.Add(r, []byte{0, 0, 0, 0, 0}) // short
	if _, ok := img.Get(v); ok {
		t.Error("a short answer was taken")
	}
	answer := []byte{0, 1, 0, 0, 0, 7}
	img.Add(r, answer)
	answer[5] = 9 // the caller's buffer is its own
	if got, ok := img.Get(v); !ok || got.Raw != 7 {
		t.Errorf("got %+v, %v", got, ok)
	}
	img.Add(regmap.Read{Table: regmap.Holding, Address: 10, Count: 1}, []byte{0xFF, 0xFF})
	if got, _ := img.Get(v); got.Raw != 7 {
		t.Errorf("half an answer changed the value to %d", got.Raw)
	}
	img.Add(r, []byte{0, 1, 0, 0, 0, 8})
	if got, _ := img.Get(v); got.Raw != 8 {
		t.Errorf("a later answer doesn't count: %d", got.Raw)
	}
	img.Add(regmap.Read{Table: regmap.Holding, Address: 10, Count: 2}, []byte{0, 0, 0, 9})
	if got, _ := img.Get(v); got.Raw != 9 {
		t.Errorf("a later answer to another read doesn't count: %d", got.Raw)
	}
	other := v
	other.Table = regmap.Input
	if _, ok := img.Get(other); ok {
		t.Error("tables are mixed up")
	}
	coil := regmap.Value{Table: regmap.Coil, Address: 3, Bit: -1, Scale: 1}
	img.Add(regmap.Read{Table: regmap.Coil, Address: 2, Count: 2}, []byte{0, 1})
	if got, ok := img.Get(coil); !ok || got.Raw != 1 {
		t.Errorf("coil: %+v, %v", got, ok)
	}
}
