package regmap

import (
	"fmt"
	"math"
	"time"

	"faultkeep/store/capture"
)

// The largest recording that faultkeep reads from a drive: a hundred times what
// recorders hold, and still harmless to keep in memory.
const (
	maxRegisters = 8 << 20
	maxRequests  = 1 << 18
)

// Recording is what the header says about the recording on the drive.
type Recording struct {
	Encoding  capture.Encoding
	Channels  []capture.Channel
	Timing    capture.Timing
	Trigger   int        // number of samples before the trigger
	DriveTime *time.Time // trigger time by the drive's clock, which is taken as UTC; nil: it has none
}

// Recording builds the layout of the recording from the header's values. The
// error is one sentence that names the register whose number can't be.
// A signal number that the map doesn't know becomes a channel of raw numbers:
// its samples may be evidence all the same.
func (m *Map) Recording(img Image) (Recording, error) {
	var r Recording
	h := m.Header
	count := len(m.Channels)
	if h.ChannelCount != nil {
		n, err := img.count("channel count", *h.ChannelCount, 1, len(m.Channels))
		if err != nil {
			return r, err
		}
		count = n
	}
	samples := h.Fixed.Samples
	if h.Samples != nil {
		n, err := img.count("number of samples", *h.Samples, 1, maxRegisters)
		if err != nil {
			return r, err
		}
		samples = n
	}
	interval := h.Fixed.Interval
	if h.Interval != nil {
		reading, ok := img.Get(*h.Interval)
		if !ok {
			return r, fmt.Errorf("the sample interval at %s was not read", h.Interval.Place())
		}
		if interval = reading.Number; !(interval > 0 && interval <= maxInterval) {
			return r, fmt.Errorf("the sample interval at %s comes out as %v s, which can't be; check its type, word order and scale in the map", h.Interval.Place(), interval)
		}
	}
	r.Trigger = h.Fixed.Trigger
	if h.Trigger != nil {
		n, err := img.count("trigger", *h.Trigger, 0, samples-1)
		if err != nil {
			return r, err
		}
		r.Trigger = n
	} else if r.Trigger >= samples {
		return r, fmt.Errorf("header.trigger of the map is %d, but the recording has %d samples by %s", r.Trigger, samples, h.Samples.Place())
	}
	if err := m.lookUp(&r, img, m.Channels[:count]); err != nil {
		return r, err
	}
	r.Encoding.Order, r.Encoding.Samples = m.Data.Order, samples
	r.Timing = capture.Timing{Samples: samples, Interval: interval}
	r.DriveTime = h.driveTime(img)
	return r, m.room(r.Encoding)
}

// count reads a whole number of the header.
func (img Image) count(what string, v Value, low, high int) (int, error) {
	reading, ok := img.Get(v)
	if !ok {
		return 0, fmt.Errorf("the %s at %s was not read", what, v.Place())
	}
	n, ok := wholeNumber(reading.Number, low, high)
	if !ok {
		return 0, fmt.Errorf("the %s at %s is %s, which is not a whole number from %d to %d; check its type, word order and scale in the map", what, v.Place(), plain(reading.Number), low, high)
	}
	return n, nil
}

func (m *Map) lookUp(r *Recording, img Image, channels []Channel) error {
	names := map[string]int{}
	for i, ch := range channels {
		channel, coding := ch.Channel, ch.Coding
		if ch.Select != nil {
			reading, ok := img.Get(*ch.Select)
			if !ok {
				return fmt.Errorf("the signal of channel %d at %s was not read", i+1, ch.Select.Place())
			}
			signal, known := m.Signals[reading.Raw]
			if !known {
				signal.Channel = capture.Channel{Name: fmt.Sprintf("signal %d", reading.Raw), Role: capture.RoleOther}
				signal.Coding = capture.Coding{Type: m.Data.Type, LowFirst: m.Data.LowFirst && m.Data.Type.Words() > 1, Scale: 1}
			}
			channel, coding = signal.Channel, signal.Coding
		}
		names[channel.Name]++
		if n := names[channel.Name]; n > 1 { // one signal on two slots
			channel.Name = fmt.Sprintf("%s (%d)", channel.Name, n)
		}
		r.Channels = append(r.Channels, channel)
		r.Encoding.Channels = append(r.Encoding.Channels, coding)
	}
	return nil
}

// driveTime is the trigger time by the drive's clock. A time that can't be is
// no time: a wrong clock must not cost a recording.
func (h Header) driveTime(img Image) *time.Time {
	if len(h.Time) == 0 {
		return nil
	}
	numbers := make([]float64, 7)
	for i, v := range h.Time {
		reading, ok := img.Get(v)
		if !ok {
			return nil
		}
		numbers[i] = reading.Number
	}
	var t time.Time
	const latest = 7258118400 // the year 2200
	switch h.TimeAs {
	case UnixSeconds, UnixMillis:
		seconds := numbers[0]
		if h.TimeAs == UnixMillis {
			seconds /= 1000
		}
		if !(seconds > 0 && seconds < latest) {
			return nil
		}
		whole := math.Floor(seconds)
		t = time.Unix(int64(whole), int64(math.Round((seconds-whole)*1e6))*1000).UTC()
	case CalendarFields:
		var f [7]int
		for i, limits := range [7][2]int{{1970, 2199}, {1, 12}, {1, 31}, {0, 23}, {0, 59}, {0, 59}, {0, 999}} {
			n, ok := wholeNumber(numbers[i], limits[0], limits[1])
			if !ok {
				return nil
			}
			f[i] = n
		}
		t = time.Date(f[0], time.Month(f[1]), f[2], f[3], f[4], f[5], f[6]*1e6, time.UTC)
		if t.Day() != f[2] {
			return nil // 31 April
		}
	}
	return &t
}

// room tells whether the data is where Modbus can read it.
func (m *Map) room(enc capture.Encoding) error {
	if err := enc.Check(); err != nil {
		return err
	}
	d := m.Data
	total := enc.Size() / 2
	if total > maxRegisters {
		return fmt.Errorf("%d samples of %d channels are %d registers; faultkeep reads at most %d", enc.Samples, len(enc.Channels), total, maxRegisters)
	}
	if n := total / int64(m.stretch()); n > maxRequests {
		return fmt.Errorf("%d samples of %d channels take at least %d requests of %d registers; faultkeep makes at most %d", enc.Samples, len(enc.Channels), n, m.stretch(), maxRequests)
	}
	switch d.Layout {
	case Block:
		end := int64(d.Address) + total
		if d.Stride > 0 {
			for i, ch := range enc.Channels {
				size := int64(enc.Samples) * int64(ch.Type.Words())
				if i < len(enc.Channels)-1 && size > int64(d.Stride) {
					return fmt.Errorf("channel %d has %d registers, more than data.stride (%d) leaves between channels", i+1, size, d.Stride)
				}
				end = int64(d.Address) + int64(i*d.Stride) + size
			}
		}
		if end > 65536 {
			return fmt.Errorf("%d samples of %d channels from %s %d on would end at %d, past the last address 65535", enc.Samples, len(enc.Channels), d.Table, d.Address, end-1)
		}
	case Window:
		last := int((total - 1) / int64(d.Length))
		if low, high := span(d.Page.Type); int64(d.PageNumber(last)) < low || int64(d.PageNumber(last)) > high {
			return fmt.Errorf("%d samples of %d channels take %d pages, more than a page select of type %s can number", enc.Samples, len(enc.Channels), last+1, d.Page.Type)
		}
	case FileRecords:
		if place := int64(d.Record) + total - 1; int64(d.File)+place/int64(d.RecordsPerFile) > 65535 {
			return fmt.Errorf("%d samples of %d channels from file %d on would end past file 65535", enc.Samples, len(enc.Channels), d.File)
		}
	}
	return nil
}

// stretch is the most registers of data that one request can bring.
func (m *Map) stretch() int {
	n := max(1, m.Limits.Registers)
	switch m.Data.Layout {
	case Window:
		n = min(n, m.Data.Length)
	case FileRecords:
		n = min(n, m.Data.RecordsPerFile, maxRecordWords)
	}
	return n
}

// dataEnd is the first address after what is known to be data before a header is read.
func (m *Map) dataEnd() int {
	d := m.Data
	if d.Layout == Window {
		return int(d.Address) + d.Length
	}
	samples, end := max(1, m.Header.Fixed.Samples), int(d.Address)
	for _, ch := range m.Channels {
		if d.Stride > 0 {
			end += d.Stride
		} else {
			end += samples * max(1, ch.Type.Words())
		}
	}
	return min(max(end, int(d.Address)+1), 65536)
}
