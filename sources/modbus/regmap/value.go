package regmap

// Words is the number of registers, or for bit tables of bits, that the value takes.
func (v Value) Words() int {
	if v.Table.Bits() {
		return 1
	}
	return v.Type.Words()
}

// Decode reads the value from its own registers (2 bytes each, big-endian) or
// its own bit (1 byte, 0 or 1). b must hold Words() of them.
func (v Value) Decode(b []byte) Reading { return Reading{} }

// End is the first address after the value, up to 65536.
func (v Value) End() int { return int(v.Address) + v.Words() }

// StatusValues are what every poll reads.
func (m *Map) StatusValues() []Value { return nil }

// LiveValues are polled for the trace.
func (m *Map) LiveValues() []Value { return nil }

// IdentityValues tell two recordings apart.
func (m *Map) IdentityValues() []Value { return nil }

// HeaderValues are read before every pull: the header's places, the channels'
// selectors, and the drive's checksum.
func (m *Map) HeaderValues() []Value { return nil }

// SettingsValues are the places of Expect.
func (m *Map) SettingsValues() []Value { return nil }
