package drivesim

import (
	"encoding/binary"
	"time"

	"faultkeep/store/capture"
)

// The four Modbus data tables, as Read and Write name them.
const (
	Holding  = "holding"
	Input    = "input"
	Coil     = "coil"
	Discrete = "discrete"
)

// Exception codes of the Modbus Application Protocol Specification V1.1b3, §7.
const (
	excFunction    = 0x01
	excAddress     = 0x02
	excValue       = 0x03
	excBusy        = 0x06
	excGatewayPath = 0x0A
	excGatewayDead = 0x0B
)

// NoAnswer stands where an exception would: the drive has no power and says nothing.
const NoAnswer byte = 0xFF

// cell is one number of the drive that a map can point at.
type cell struct {
	key   string // place in the map, such as "status.fault_code"
	table string
	addr  uint16
	typ   capture.Type // of registers
	get   func(*Drive) uint64
}

func (c cell) words() int {
	if c.table == Coil || c.table == Discrete {
		return 1
	}
	return width(c.typ)
}

// area is a run of addresses that can be read; those without a cell are 0.
type area struct {
	table       string
	first, last int
}

// layout is a face's register list.
type layout struct {
	cells  []cell
	areas  []area
	order  WordOrder
	states map[capture.RecorderState]uint16
	ids    map[capture.Role]uint16 // signal numbers

	data         area // Block: the samples; Window: the window
	page, shows  uint16
	setTable     string // the settings' first address: interval, then at +3 the pre-trigger share
	set          uint16
	armTable     string
	arm          uint16
	armWord      uint16
	resetTable   string
	reset        uint16
	resetWord    uint16
	file, record uint16 // Files: where the data starts
}

// recordsPerFile is how many records of one register a file has (Modbus
// Application Protocol Specification V1.1b3, §6.14).
const recordsPerFile = 10000

// Read reads n registers (2 bytes each, big-endian) or bits (1 byte each, 0 or
// 1). A nonzero exception, or NoAnswer, comes without data.
func (d *Drive) Read(now time.Time, table string, addr, n uint16) ([]byte, byte) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	if d.off {
		return nil, NoAnswer
	}
	first, end := int(addr), int(addr)+int(n)
	bits := table == Coil || table == Discrete
	if n == 0 || !bits && int(n) > d.spec.MaxRead || bits && n > 2000 {
		return nil, excValue
	}
	l := d.layout
	if d.spec.Face != Files && table == l.data.table && first >= l.data.first && end-1 <= l.data.last {
		return d.readData(first-l.data.first, int(n))
	}
	if !l.holds(table, first, end-1) {
		return nil, excAddress
	}
	size := 2
	if bits {
		size = 1
	}
	out := make([]byte, size*int(n))
	for _, c := range l.cells {
		at := int(c.addr) - first
		if c.table != table || at+c.words() <= 0 || int(c.addr) >= end {
			continue
		}
		if bits {
			out[at] = byte(c.get(d) & 1)
			continue
		}
		var regs [8]byte
		for i, w := range chop(appendWords(regs[:0], c.get(d), c.words(), l.order)) {
			if k := at + i; k >= 0 && k < int(n) {
				binary.BigEndian.PutUint16(out[2*k:], w)
			}
		}
	}
	return out, 0
}

func chop(b []byte) []uint16 {
	w := make([]uint16, len(b)/2)
	for i := range w {
		w[i] = binary.BigEndian.Uint16(b[2*i:])
	}
	return w
}

func (l *layout) holds(table string, first, last int) bool {
	for _, a := range l.areas {
		if a.table == table && a.first <= first && last <= a.last {
			return true
		}
	}
	return false
}

// readData reads from the block or the window.
func (d *Drive) readData(from, n int) ([]byte, byte) {
	in := d.present()
	if in == nil && d.spec.Recorder.Erased == Refused {
		return nil, d.spec.Recorder.Refusal
	}
	out := make([]byte, 2*n)
	if in == nil {
		return out, 0
	}
	if d.spec.Face == Window {
		if d.page == 0 {
			return out, 0
		}
		length := d.spec.Recorder.Window
		from += (int(d.page) - firstPage) * length
	}
	stride := in.made.Stride
	if stride == 0 {
		if 2*from < len(in.Data) {
			copy(out, in.Data[2*from:])
		}
		return out, 0
	}
	per := in.made.Samples * width(in.made.Type)
	for i := range n {
		ch, at := (from+i)/stride, (from+i)%stride
		if ch < len(in.made.Channels) && at < per {
			copy(out[2*i:2*i+2], in.Data[2*(ch*per+at):])
		}
	}
	return out, 0
}

// ReadFile reads words registers of a file from a record on, 2 bytes each.
func (d *Drive) ReadFile(now time.Time, file, record, words uint16) ([]byte, byte) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	switch {
	case d.off:
		return nil, NoAnswer
	case d.spec.Face != Files:
		return nil, excFunction
	case words == 0 || int(words) > d.spec.MaxRead:
		return nil, excValue
	case file < d.layout.file || int(record)+int(words) > recordsPerFile:
		return nil, excAddress
	}
	in := d.present()
	if in == nil && d.spec.Recorder.Erased == Refused {
		return nil, d.spec.Recorder.Refusal
	}
	from := int(file-d.layout.file)*recordsPerFile + int(record) - int(d.layout.record)
	size := d.dataWords()
	if from < 0 || from+int(words) > size {
		return nil, excAddress
	}
	out := make([]byte, 2*int(words))
	if in != nil && 2*from < len(in.Data) {
		copy(out, in.Data[2*from:])
	}
	return out, 0
}

// dataWords is the size of the recorder's memory in registers.
func (d *Drive) dataWords() int {
	r := d.spec.Recorder
	return len(r.Channels) * r.Samples * width(r.Type)
}

// Write writes registers, or one coil (a word, 0 or 1). Every write is noted.
func (d *Drive) Write(now time.Time, table string, addr uint16, words []uint16) byte {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.advance(now)
	kind, exception := d.write(table, addr, words)
	d.writes = append(d.writes, WriteSeen{Time: d.now, Table: table, Address: addr,
		Words: append([]uint16(nil), words...), Kind: kind, Exception: exception})
	return exception
}

// writeSetting takes the sample interval (µs) and the pre-trigger share (%).
func (d *Drive) writeSetting(table string, addr uint16, words []uint16) (WriteKind, byte, bool) {
	r := &d.spec.Recorder
	if !r.Settable || table != d.layout.setTable {
		return "", 0, false
	}
	switch {
	case addr == d.layout.set && len(words) == 2:
		n := uint32(words[0])<<16 | uint32(words[1])
		if d.layout.order == LowFirst {
			n = uint32(words[1])<<16 | uint32(words[0])
		}
		if n == 0 || d.state == capture.Recording {
			return WriteSetting, excValue, true
		}
		r.Interval = time.Duration(n) * time.Microsecond
	case addr == d.layout.set+3 && len(words) == 1:
		if words[0] >= 100 || d.state == capture.Recording {
			return WriteSetting, excValue, true
		}
		r.PreTrigger = float64(words[0]) / 100
	default:
		return "", 0, false
	}
	return WriteSetting, 0, true
}

func (d *Drive) write(table string, addr uint16, words []uint16) (WriteKind, byte) {
	l := d.layout
	if d.off {
		return WriteRefused, NoAnswer
	}
	if kind, exception, ok := d.writeSetting(table, addr, words); ok {
		return kind, exception
	}
	if len(words) != 1 {
		return WriteRefused, excAddress
	}
	w := words[0]
	switch {
	case table == l.armTable && addr == l.arm:
		if w != l.armWord {
			return WriteArm, excValue
		}
		return WriteArm, d.arm()
	case table == l.resetTable && addr == l.reset:
		if w != l.resetWord {
			return WriteReset, excValue
		}
		d.reset()
		return WriteReset, 0
	case d.spec.Face == Window && table == Holding && addr == l.page:
		r := d.spec.Recorder
		pages := (d.dataWords() + r.Window - 1) / r.Window
		if int(w) < firstPage || int(w) >= firstPage+pages {
			return WritePage, excValue
		}
		d.nextPage = w
		if r.Settle > 0 {
			d.due[evPage] = d.now.Add(r.Settle)
		} else {
			d.page = w
		}
		return WritePage, 0
	}
	return WriteRefused, excAddress
}
