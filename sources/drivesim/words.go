package drivesim

import (
	"encoding/binary"
	"math"

	"faultkeep/store/capture"
)

// width is the number of registers of one number, 0 for an unknown type.
func width(t capture.Type) int {
	switch t {
	case capture.Int8, capture.Uint8, capture.Int16, capture.Uint16:
		return 1
	case capture.Int32, capture.Uint32, capture.Float32:
		return 2
	case capture.Int64, capture.Uint64, capture.Float64:
		return 4
	}
	return 0
}

// appendWords appends the n lowest 16-bit words of bits as registers.
func appendWords(b []byte, bits uint64, n int, order WordOrder) []byte {
	if order == LowFirst {
		for i := range n {
			b = binary.BigEndian.AppendUint16(b, uint16(bits>>(16*i)))
		}
		return b
	}
	for i := n - 1; i >= 0; i-- {
		b = binary.BigEndian.AppendUint16(b, uint16(bits>>(16*i)))
	}
	return b
}

// limits of the integer types.
var limits = map[capture.Type][2]float64{
	capture.Int8: {-128, 127}, capture.Uint8: {0, 255},
	capture.Int16: {-32768, 32767}, capture.Uint16: {0, 65535},
	capture.Int32: {-2147483648, 2147483647}, capture.Uint32: {0, 4294967295},
	// The largest float64 below the true limits, so that a conversion stays defined.
	capture.Int64: {-(1 << 63), 1<<63 - 1024}, capture.Uint64: {0, 1<<64 - 2048},
}

// number is v as the type's bit pattern; integers are rounded and saturate, as
// a drive's do.
func number(t capture.Type, v float64) uint64 {
	switch t {
	case capture.Float32:
		return uint64(math.Float32bits(float32(v)))
	case capture.Float64:
		return math.Float64bits(v)
	}
	lim := limits[t]
	v = min(max(math.RoundToEven(v), lim[0]), lim[1])
	if lim[0] < 0 {
		return uint64(int64(v))
	}
	return uint64(v)
}

// crc16 is the CRC of Modbus RTU: polynomial 8005h reflected, start FFFFh.
func crc16(data []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range data {
		crc ^= uint16(b)
		for range 8 {
			odd := crc&1 != 0
			crc >>= 1
			if odd {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// registerSum adds up big-endian registers modulo 2^32.
func registerSum(data []byte) uint32 {
	var sum uint32
	for i := 0; i+1 < len(data); i += 2 {
		sum += uint32(data[i])<<8 | uint32(data[i+1])
	}
	return sum
}
