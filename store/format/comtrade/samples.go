package comtrade

import (
	"context"
	"encoding/binary"
	"math"
	"strconv"
	"time"

	"faultkeep/store/capture"
)

// maxDigits is how many characters an analog value may have in text. The
// source is IEEE C37.111-2013, from memory.
const maxDigits = 13

// decimal is the nearest number that text of maxDigits characters holds and
// that doesn't stand for a missing value.
func decimal(x float64) float64 {
	if x == missingText {
		return 99998.9999999
	}
	v, _ := strconv.ParseFloat(digits(x), 64) // what FormatFloat wrote
	return v
}

func digits(x float64) string {
	s := strconv.FormatFloat(x, 'g', -1, 64)
	for precision := maxDigits - 1; len(s) > maxDigits && precision > 0; precision-- {
		s = strconv.FormatFloat(x, 'g', precision, 64)
	}
	return s
}

// timescale says how the file's times and time stamps count.
type timescale struct {
	nanoseconds bool
	multiplier  float64 // of the stamps
}

// scaleTime takes microseconds, and nanoseconds only where they say more; and
// the finest stamps that 32 bits hold for the whole record.
func scaleTime(e Edition, t capture.Timing, trigger time.Time) timescale {
	ts := timescale{multiplier: 1}
	ts.nanoseconds = e >= Edition2013 && (trigger.Nanosecond()%1000 != 0 || t.Interval < 10e-6)
	for t.Between(0, t.Samples-1)/ts.count() >= missingStamp-1 {
		ts.multiplier *= 10
	}
	return ts
}

// count is what one count of a stamp is worth in seconds.
func (ts timescale) count() float64 {
	if ts.nanoseconds {
		return 1e-9 * ts.multiplier
	}
	return 1e-6 * ts.multiplier
}

// data writes a .dat.
func (w *writer) data(ctx context.Context) error {
	if err := w.samples(ctx); err != nil {
		return err
	}
	if w.plan.data == ASCII {
		return w.out.WriteByte(endOfFile)
	}
	return nil
}

// samples writes a row for each sample.
func (w *writer) samples(ctx context.Context) error {
	n := w.number()
	count := scaleTime(w.edition, w.timing, w.capture.Trigger.Time).count()
	appendRow := w.appendBinary
	if w.plan.data == ASCII {
		appendRow = w.appendText
	}
	var row []byte
	begin, base, rates := 0, 0.0, w.timing.Rates
	if len(rates) == 0 {
		rates = []capture.Rate{{End: w.timing.Samples, Interval: w.timing.Interval}}
	}
	for _, r := range rates {
		for i := begin; i < r.End; i++ {
			if i%4096 == 0 {
				if err := ctx.Err(); err != nil {
					return err
				}
			}
			stamp := math.Round((base + float64(i-begin)*r.Interval) / count)
			row = appendRow(row[:0], n, i, uint32(stamp))
			if _, err := w.out.Write(row); err != nil {
				return err
			}
		}
		base += float64(r.End-begin) * r.Interval
		begin = r.End
	}
	return nil
}

func (w *writer) appendBinary(row []byte, n number, i int, stamp uint32) []byte {
	row = binary.LittleEndian.AppendUint32(row, uint32(i+1))
	row = binary.LittleEndian.AppendUint32(row, stamp)
	for c := range w.columns {
		x := w.columns[c].numberAt(n, i)
		switch w.plan.data {
		case Binary:
			v := missing16
			if !math.IsNaN(x) {
				v = int16(x)
			}
			row = binary.LittleEndian.AppendUint16(row, uint16(v))
		case Binary32:
			v := missing32
			if !math.IsNaN(x) {
				v = int32(x)
			}
			row = binary.LittleEndian.AppendUint32(row, uint32(v))
		default:
			v := uint32(missingFloat)
			if !math.IsNaN(x) {
				v = math.Float32bits(float32(x))
			}
			row = binary.LittleEndian.AppendUint32(row, v)
		}
	}
	for at := 0; at < len(w.bits); at += 16 {
		var word uint16
		for k, b := range w.bits[at:min(at+16, len(w.bits))] {
			word |= b.at(i) << k
		}
		row = binary.LittleEndian.AppendUint16(row, word)
	}
	return row
}

// numberAt is what stands for sample i in the file; NaN: missing.
func (c *column) numberAt(n number, i int) float64 {
	v := c.series[i]
	if math.IsNaN(v) {
		return v
	}
	return n.nearest(c.number(v))
}

func (w *writer) appendText(row []byte, n number, i int, stamp uint32) []byte {
	row = strconv.AppendInt(row, int64(i+1), 10)
	row = append(row, ',')
	row = strconv.AppendUint(row, uint64(stamp), 10)
	for c := range w.columns {
		row = append(row, ',')
		switch x := w.columns[c].numberAt(n, i); {
		case math.IsNaN(x):
			row = strconv.AppendInt(row, missingText, 10)
		case x == math.Trunc(x) && math.Abs(x) < 1e10:
			row = strconv.AppendInt(row, int64(x), 10)
		default:
			row = append(row, digits(x)...)
		}
	}
	for _, b := range w.bits {
		row = append(row, ',', '0'+byte(b.at(i)))
	}
	return append(row, "\r\n"...)
}
