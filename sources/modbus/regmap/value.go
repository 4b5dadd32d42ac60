package regmap

import (
	"fmt"
	"math"
	"strconv"

	"faultkeep/store/capture"
)

// Words is the number of registers, or for bit tables of bits, that the value takes.
func (v Value) Words() int {
	if v.Table.Bits() {
		return 1
	}
	return v.Type.Words()
}

// End is the first address after the value, up to 65536.
func (v Value) End() int { return int(v.Address) + v.Words() }

// Place is where the value is, as a technician looks it up: "holding 126".
func (v Value) Place() string { return addresses(v.Table, int(v.Address), v.Words()) }

func addresses(table Table, address, count int) string {
	if count > 1 {
		return fmt.Sprintf("%s %d–%d", table, address, address+count-1)
	}
	return fmt.Sprintf("%s %d", table, address)
}

func (r Read) String() string { return addresses(r.Table, int(r.Address), int(r.Count)) }

// Decode reads the value from its own registers (2 bytes each, big-endian) or
// its own bit (1 byte, 0 or 1). b must hold Words() of them.
func (v Value) Decode(b []byte) Reading {
	if v.Table.Bits() {
		return v.reading(int64(b[0]&1), float64(b[0]&1))
	}
	bits := v.Type.Bits(b, v.LowFirst)
	switch {
	case v.Bit >= 0:
		bit := int64(bits >> v.Bit & 1)
		return v.reading(bit, float64(bit))
	case v.Mask != 0:
		bits &= v.Mask
		return v.reading(int64(bits), float64(bits))
	}
	number := v.Type.Number(b, v.LowFirst)
	switch v.Type {
	case capture.Float32, capture.Float64:
		return v.reading(truncated(number), number)
	case capture.Int64, capture.Uint64:
		return v.reading(int64(bits), number) // a float64 would lose its lowest bits
	}
	return v.reading(int64(number), number)
}

func (v Value) reading(raw int64, number float64) Reading {
	r := Reading{Raw: raw, Number: capture.Scaled(number, v.Scale) + v.Offset, Known: true}
	if len(v.Values) > 0 {
		if meaning, ok := v.Values[raw]; ok {
			r.Text = meaning
			return r
		}
		r.Known = false
	}
	switch {
	case v.Scale == 1 && v.Offset == 0 && !float(v.Type) && v.Type == capture.Uint64:
		r.Text = strconv.FormatUint(uint64(raw), 10)
	case v.Scale == 1 && v.Offset == 0 && !float(v.Type):
		r.Text = strconv.FormatInt(raw, 10)
	default:
		r.Text = plain(r.Number)
	}
	if v.Unit != "" {
		r.Text += " " + v.Unit
	}
	return r
}

// truncated is f as a whole number, kept within int64; NaN is 0.
func truncated(f float64) int64 {
	switch {
	case math.IsNaN(f):
		return 0
	case f >= math.MaxInt64:
		return math.MaxInt64
	case f <= math.MinInt64:
		return math.MinInt64
	}
	return int64(f)
}

// plain writes a number without the dust that scaling leaves: 12.3, not 12.299999999999999.
func plain(f float64) string {
	if short, err := strconv.ParseFloat(strconv.FormatFloat(f, 'g', 12, 64), 64); err == nil {
		f = short
	}
	if a := math.Abs(f); a != 0 && (a < 1e-6 || a >= 1e15) {
		return strconv.FormatFloat(f, 'g', -1, 64)
	}
	return strconv.FormatFloat(f, 'f', -1, 64)
}

// StatusValues are what every poll reads.
func (m *Map) StatusValues() []Value {
	s := m.Status
	return existing(s.Fault, s.FaultCode, s.Warning, s.State, s.Hours, s.FaultCount)
}

// LiveValues are polled for the trace.
func (m *Map) LiveValues() []Value { return m.Live }

// IdentityValues tell two recordings apart.
func (m *Map) IdentityValues() []Value { return m.Identity }

// HeaderValues are read before every pull: the header's places, the channels'
// selectors, and the drive's checksum.
func (m *Map) HeaderValues() []Value {
	h := m.Header
	values := append(existing(h.ChannelCount, h.Samples, h.Interval, h.Trigger), h.Time...)
	for _, ch := range m.Channels {
		values = append(values, existing(ch.Select)...)
	}
	if m.Checksum != nil {
		values = append(values, m.Checksum.Value)
	}
	return values
}

// SettingsValues are the places of Expect.
func (m *Map) SettingsValues() []Value {
	values := make([]Value, len(m.Expect))
	for i, e := range m.Expect {
		values[i] = e.Value
	}
	return values
}

func existing(values ...*Value) (out []Value) {
	for _, v := range values {
		if v != nil {
			out = append(out, *v)
		}
	}
	return out
}

// OK tells whether the reading is the wanted value. Scaled numbers are
// compared to nine digits, so that 0.1 in the map is 0.1 on the drive.
func (e Expect) OK(r Reading) bool {
	near := func(want float64) bool { return math.Abs(r.Number-want) <= 1e-9*max(1, math.Abs(want)) }
	switch {
	case e.Equals != nil:
		return near(*e.Equals)
	case math.IsNaN(r.Number):
		return false
	}
	return (e.Low == nil || r.Number >= *e.Low || near(*e.Low)) && (e.High == nil || r.Number <= *e.High || near(*e.High))
}

// Wanted is the wanted value in words: "1000 µs", "60 to 90 %", "at least 60 %".
func (e Expect) Wanted() string {
	var s string
	switch {
	case e.Equals != nil:
		s = plain(*e.Equals)
		if meaning, ok := e.meaning(*e.Equals); ok {
			return meaning
		}
	case e.Low != nil && e.High != nil:
		s = plain(*e.Low) + " to " + plain(*e.High)
	case e.Low != nil:
		s = "at least " + plain(*e.Low)
	case e.High != nil:
		s = "at most " + plain(*e.High)
	}
	if e.Unit != "" {
		s += " " + e.Unit
	}
	return s
}

func (e Expect) meaning(scaled float64) (string, bool) {
	for raw, meaning := range e.Values {
		if math.Abs(float64(raw)*e.Scale+e.Value.Offset-scaled) <= 1e-9*max(1, math.Abs(scaled)) {
			return meaning, true
		}
	}
	return "", false
}
