package format

import (
	"encoding/binary"
	"math"

	"faultkeep/store/capture"
)

// Originals turns decoded samples into the bytes of part capture.Data and the
// encoding that reads them back exactly: 32-bit floats for a channel whose
// every sample survives them, 64-bit ones for the others. Samples lie by
// channel, and a missing one is NaN.
func Originals(series []capture.Series) (capture.Encoding, []byte) {
	e := capture.Encoding{Order: capture.ByChannel}
	size := 0
	for _, s := range series {
		e.Samples = len(s)
		coding := capture.Coding{Type: capture.Float32, Scale: 1}
		width := 4
		if !fitsFloat32(s) {
			coding.Type, width = capture.Float64, 8
		}
		e.Channels = append(e.Channels, coding)
		size += width * len(s)
	}
	data := make([]byte, 0, size)
	for i, s := range series {
		if e.Channels[i].Type == capture.Float32 {
			for _, v := range s {
				data = binary.BigEndian.AppendUint32(data, math.Float32bits(float32(v)))
			}
			continue
		}
		for _, v := range s {
			data = binary.BigEndian.AppendUint64(data, math.Float64bits(v))
		}
	}
	return e, data
}

func fitsFloat32(s capture.Series) bool {
	for _, v := range s {
		if float64(float32(v)) != v && !math.IsNaN(v) {
			return false
		}
	}
	return true
}
