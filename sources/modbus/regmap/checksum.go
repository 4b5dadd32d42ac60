package regmap

import (
	"encoding/binary"
	"hash/crc32"
)

// Compute is the checksum over data as transmitted: registers big-endian.
// It is right-aligned; a Sum isn't yet cut to the width of its value.
func (c ChecksumKind) Compute(data []byte) uint64 {
	switch c {
	case CRC16:
		return uint64(crc16(data))
	case CRC32:
		return uint64(crc32.ChecksumIEEE(data))
	}
	var sum uint64
	for ; len(data) >= 2; data = data[2:] {
		sum += uint64(binary.BigEndian.Uint16(data))
	}
	return sum
}

// Matches tells whether the drive's checksum fits the data.
func (c Checksum) Matches(data []byte, drive Reading) bool {
	mask := ^uint64(0) >> (64 - width(c.Value.Type))
	return c.Kind.Compute(data)&mask == uint64(drive.Raw)&mask
}

var crc16Table = func() (table [256]uint16) {
	for i := range table {
		crc := uint16(i)
		for range 8 {
			if crc&1 == 1 {
				crc = crc>>1 ^ 0xA001 // 8005h reflected
			} else {
				crc >>= 1
			}
		}
		table[i] = crc
	}
	return table
}()

func crc16(data []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range data {
		crc = crc>>8 ^ crc16Table[byte(crc)^b]
	}
	return crc
}
