package drivesim

import "faultkeep/store/capture"

// pattern makes samples that no other recording, channel or place has: the
// count of a sample is a hash of seed, recording counter, channel and index.
func (d *Drive) pattern(in *incident) [][]float64 {
	out := make([][]float64, len(in.made.Channels))
	for ch, role := range in.made.Channels {
		c := codingOf(role, in.made.Type)
		out[ch] = make([]float64, in.made.Samples)
		for i := range out[ch] {
			h := mix(d.spec.Seed, uint64(in.Number)<<32|uint64(in.Counter), uint64(ch)<<32|uint64(i))
			out[ch][i] = c.scale*patternNumber(c.typ, h) + c.offset
		}
	}
	return out
}

// patternNumber is a number of the type that float64 holds exactly.
func patternNumber(t capture.Type, h uint64) float64 {
	switch t {
	case capture.Int8:
		return float64(int8(h))
	case capture.Uint8:
		return float64(uint8(h))
	case capture.Uint16:
		return float64(uint16(h))
	case capture.Int32, capture.Float64:
		return float64(int32(h))
	case capture.Uint32:
		return float64(uint32(h))
	case capture.Int64:
		return float64(int64(h) >> 11)
	case capture.Uint64:
		return float64(h >> 11)
	}
	return float64(int16(h))
}

// mix hashes three numbers (the finaliser of SplitMix64, thrice).
func mix(a, b, c uint64) uint64 {
	h := uint64(0)
	for _, v := range [3]uint64{a, b, c} {
		h += v + 0x9E3779B97F4A7C15
		h = (h ^ h>>30) * 0xBF58476D1CE4E5B9
		h = (h ^ h>>27) * 0x94D049BB133111EB
		h ^= h >> 31
	}
	return h
}
