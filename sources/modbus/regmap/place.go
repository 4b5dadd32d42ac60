package regmap

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"

	"faultkeep/configs/strict"
	"faultkeep/store/capture"
)

// place turns a value of the file into a Value, or returns nil where there is
// none or it can't be used; what is wrong is reported.
func (c *checker) place(path string, from *fileValue, name string) *Value {
	if from == nil || !c.doc.Clean(path) {
		return nil
	}
	before := len(c.problems)
	v := Value{Name: cmp.Or(from.Name, name), Type: capture.Uint16, Bit: -1, Scale: 1, Offset: from.Offset, Unit: from.Unit, Values: from.Values}
	var key string
	key, v.Table, v.Address = c.table(path, from)
	if v.Name == "" {
		v.Name = v.Place()
	}
	if from.Scale != nil {
		v.Scale = *from.Scale
		if v.Scale == 0 {
			c.report(path+".scale", "is 0, so every number would come out the same", "")
		}
	}
	if v.Table.Bits() {
		for key, given := range map[string]bool{"type": from.Type != "", "words": from.Words != "", "bit": from.Bit != nil, "mask": from.Mask != nil} {
			if given {
				c.report(path+"."+key, fmt.Sprintf("is for registers; a %s is one bit", v.Table), "leave it out")
			}
		}
	} else {
		c.numbering(path, from, &v)
	}
	if len(c.problems) == before {
		c.meanings(path, &v)
	}
	if len(c.problems) > before {
		return nil
	}
	if v.End() > 65536 {
		c.report(path+"."+key, fmt.Sprintf("is %d, and %s takes %d registers, past the last address 65535", v.Address, v.Type, v.Words()), "")
		return nil
	}
	if !v.Table.Bits() && v.Words() > c.m.Limits.Registers && c.m.Limits.Registers > 0 {
		c.report(path+".type", fmt.Sprintf("is %s, %d registers, more than limits.registers (%d) lets one request read", v.Type, v.Words(), c.m.Limits.Registers), "")
		return nil
	}
	c.regions = append(c.regions, region{path, v.Table, int(v.Address), v.End()})
	return &v
}

// table finds the one place that the value names.
func (c *checker) table(path string, from *fileValue) (key string, table Table, address uint16) {
	for _, at := range []struct {
		table   Table
		address *uint16
	}{{Holding, from.Holding}, {Input, from.Input}, {Coil, from.Coil}, {Discrete, from.Discrete}} {
		if at.address == nil {
			continue
		}
		if key != "" {
			c.report(path+"."+string(at.table), "is a second place; "+key+" is given too", "leave one of them out")
			continue
		}
		key, table, address = string(at.table), at.table, *at.address
	}
	if key == "" {
		c.report(path, "says no place", "add holding, input, coil or discrete with its address")
	}
	return key, table, address
}

func (c *checker) numbering(path string, from *fileValue, v *Value) {
	v.Type = c.typed(path, from.Type, capture.Uint16)
	v.LowFirst = c.lowFirst(path, from.Words, v.Type.Words() > 1)
	bits := width(v.Type)
	if from.Bit != nil {
		v.Bit = *from.Bit
		switch {
		case float(v.Type):
			c.report(path+".bit", fmt.Sprintf("is of a %s, which is not made of single bits", v.Type), "give it a whole type")
		case v.Bit >= bits:
			c.report(path+".bit", fmt.Sprintf("is %d; %s has bits 0 to %d", v.Bit, v.Type, bits-1), "")
		case from.Mask != nil:
			c.report(path+".mask", "stands beside bit", "leave one of them out")
		}
	}
	if from.Mask != nil {
		v.Mask = *from.Mask
		switch {
		case v.Mask == 0:
			c.report(path+".mask", "is 0, so nothing would be left", "")
		case float(v.Type):
			c.report(path+".mask", fmt.Sprintf("is on a %s, which is not made of single bits", v.Type), "give it a whole type")
		case bits < 64 && v.Mask>>bits != 0:
			c.report(path+".mask", fmt.Sprintf("is %#x; %s has %d bits", v.Mask, v.Type, bits), "")
		}
	}
}

// meanings checks that every number of values can occur.
func (c *checker) meanings(path string, v *Value) {
	if len(v.Values) == 0 {
		return
	}
	if float(v.Type) {
		c.report(path+".values", fmt.Sprintf("is on a %s; only whole numbers have meanings", v.Type), "")
		return
	}
	low, high := span(v.Type)
	switch {
	case v.Table.Bits() || v.Bit >= 0:
		low, high = 0, 1
	case v.Mask != 0:
		low, high = 0, int64(v.Mask&math.MaxInt64)
	}
	for _, number := range sortedKeys(v.Values) {
		at := fmt.Sprintf("%s.values.%d", path, number)
		switch {
		case number < low || number > high:
			c.problems = append(c.problems, c.doc.KeyProblem(at, fmt.Sprintf("can't occur; the number lies within %d to %d", low, high), ""))
		case v.Mask != 0 && uint64(number)&^v.Mask != 0:
			c.problems = append(c.problems, c.doc.KeyProblem(at, fmt.Sprintf("can't occur with mask %#x", v.Mask), "numbers are compared after the mask and aren't shifted"))
		case v.Values[number] == "":
			c.report(at, "is empty", "say what the number means")
		}
	}
}

func (c *checker) typed(path, word string, otherwise capture.Type) capture.Type {
	if word == "" {
		return otherwise
	}
	known := make([]string, len(capture.Types))
	for i, t := range capture.Types {
		known[i] = string(t)
	}
	if !contains(known, word) {
		c.report(path+".type", fmt.Sprintf("is %q, which is not a type", word), strict.Choice(word, known))
		return otherwise
	}
	return capture.Type(word)
}

func (c *checker) lowFirst(path, word string, wide bool) bool {
	switch {
	case word == "":
	case word != "high-first" && word != "low-first":
		c.report(path+".words", fmt.Sprintf("is %q, which is not a word order", word), strict.Choice(word, []string{"high-first", "low-first"}))
	case !wide:
		c.report(path+".words", "is given for a type of one register", "leave it out, or give the type")
	}
	return word == "low-first"
}

func float(t capture.Type) bool { return t == capture.Float32 || t == capture.Float64 }

// width is the number of bits of a type.
func width(t capture.Type) int {
	if t == capture.Int8 || t == capture.Uint8 {
		return 8
	}
	return 16 * t.Words()
}

// span is the range of a whole type, cut to what an int64 holds.
func span(t capture.Type) (low, high int64) {
	bits := width(t)
	switch t {
	case capture.Int8, capture.Int16, capture.Int32, capture.Int64:
		return -1 << (bits - 1), 1<<(bits-1) - 1
	case capture.Uint64:
		return 0, math.MaxInt64
	}
	return 0, 1<<bits - 1
}

func contains(words []string, word string) bool { return slices.Contains(words, word) }

func sortedKeys[V any](m map[int64]V) []int64 { return slices.Sorted(maps.Keys(m)) }
