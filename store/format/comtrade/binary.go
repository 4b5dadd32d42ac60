package comtrade

import (
	"context"
	"encoding/binary"
	"math"

	"faultkeep/store/capture"
)

// Numbers that stand for a missing sample. The sources are IEEE C37.111-1999
// and -2013; that of FLOAT32 is from memory.
const (
	missing16       int16 = math.MinInt16 // 8000h
	missing16of1991 int16 = -1            // FFFFh
	missing32       int32 = math.MinInt32 // 80000000h
	missingFloat          = 0xFF7FFFFF    // the lowest float32
	missingStamp          = math.MaxUint32
)

const (
	head  = 8   // bytes of a sample's number and time stamp
	block = 512 // samples that are decoded channel by channel while they lie in the cache
)

// frame is the size in bytes of one sample of all channels, with what is
// before: number, stamp, analog values, then words of 16 status channels.
func (c *config) frame() int { return head + c.data.width()*len(c.analog) + 2*((len(c.status)+15)/16) }

// binary decodes frames into out, which has room for all samples.
func (in *input) binary(ctx context.Context, out []capture.Series) error {
	frame := in.cfg.frame()
	data := in.part.bytes
	if surplus := len(data) - in.samples*frame; surplus > 0 {
		in.notes.add("surplus data", "%s goes on for %s after its last sample, passed over", in.part.name, some(surplus, "byte"))
	}
	analogs, width := len(in.cfg.analog), in.cfg.data.width()
	read := in.reader()
	for from := 0; from < in.samples; from += block {
		if err := ctx.Err(); err != nil {
			return err
		}
		to := min(from+block, in.samples)
		rows := data[from*frame : to*frame]
		in.heads(rows, frame, from)
		for ch, s := range out[:analogs] {
			read(s[from:to], rows[head+ch*width:], frame, ch)
		}
		for ch, s := range out[analogs:] {
			bits(s[from:to], rows[head+analogs*width+2*(ch/16):], frame, ch%16)
		}
	}
	if in.cfg.data == Binary && in.cfg.edition == Edition1991 {
		in.holes(out[:analogs])
	}
	return nil
}

// heads looks at the numbers and time stamps of some rows.
func (in *input) heads(rows []byte, frame, first int) {
	for at, i := 0, first; at < len(rows); at, i = at+frame, i+1 {
		if number := binary.LittleEndian.Uint32(rows[at:]); number != uint32(i+1) {
			in.numbered(i, float64(number))
		}
		stamp := binary.LittleEndian.Uint32(rows[at+4:])
		if stamp == missingStamp {
			in.stamp(i, math.NaN())
			continue
		}
		in.stamp(i, float64(stamp))
	}
}

// reader is what decodes one analog channel of some rows, which begin with its
// first value and lie frame bytes apart.
func (in *input) reader() func(s capture.Series, rows []byte, frame, channel int) {
	scales := make([]scale, len(in.cfg.analog))
	for i, a := range in.cfg.analog {
		scales[i] = scaleOf(a.a, a.b)
	}
	switch in.cfg.data {
	case Binary32:
		return func(s capture.Series, rows []byte, frame, channel int) { ints32(s, rows, frame, scales[channel]) }
	case Float32:
		return func(s capture.Series, rows []byte, frame, channel int) { floats32(s, rows, frame, scales[channel]) }
	}
	missing := missing16
	if in.cfg.edition == Edition1991 {
		missing = missing16of1991
	}
	return func(s capture.Series, rows []byte, frame, channel int) {
		ints16(s, rows, frame, scales[channel], missing)
	}
}

func ints16(s capture.Series, rows []byte, frame int, k scale, missing int16) {
	for i := range s {
		n := int16(binary.LittleEndian.Uint16(rows[i*frame:]))
		if n == missing {
			s[i] = math.NaN()
			continue
		}
		s[i] = k.value(float64(n))
	}
}

func ints32(s capture.Series, rows []byte, frame int, k scale) {
	for i := range s {
		n := int32(binary.LittleEndian.Uint32(rows[i*frame:]))
		if n == missing32 {
			s[i] = math.NaN()
			continue
		}
		s[i] = k.value(float64(n))
	}
}

func floats32(s capture.Series, rows []byte, frame int, k scale) {
	for i := range s {
		n := binary.LittleEndian.Uint32(rows[i*frame:])
		if n == missingFloat {
			s[i] = math.NaN()
			continue
		}
		s[i] = k.value(float64(math.Float32frombits(n)))
	}
}

// bits decodes one bit of a word.
func bits(s capture.Series, rows []byte, frame, bit int) {
	for i := range s {
		s[i] = float64(binary.LittleEndian.Uint16(rows[i*frame:]) >> bit & 1)
	}
}

// holes tells how many samples FFFFh took: in the 1991 edition it stands for a
// missing sample, but a recorder may have meant −1.
func (in *input) holes(analogs []capture.Series) {
	for ch, s := range analogs {
		n := 0
		for _, v := range s {
			if math.IsNaN(v) {
				n++
			}
		}
		if n > 0 {
			in.notes.add("holes", "%s has %s of channel %s with the number FFFFh, which means missing in the 1991 edition",
				in.part.name, some(n, "sample"), quoted(in.cfg.analog[ch].name))
		}
	}
}
