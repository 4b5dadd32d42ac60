package drivesim

import (
	"time"

	"faultkeep/store/capture"
)

// blockData is where a Block's samples start.
const blockData = 1024

// firstPage is the number of a Window's first page; 0 is none.
const firstPage = 1

// layoutOf makes the register list of a spec. The three faces differ in
// everything a map can say.
func layoutOf(s Spec) *layout {
	switch s.Face {
	case Window:
		return windowLayout(s)
	case Files:
		return filesLayout(s)
	}
	return blockLayout(s)
}

func blockLayout(s Spec) *layout {
	r := s.Recorder
	span := len(r.Channels) * r.Samples * width(r.Type)
	if r.Stride > 0 {
		span = len(r.Channels) * r.Stride
	}
	l := &layout{
		order: r.WordOrder,
		states: map[capture.RecorderState]uint16{capture.Idle: 0, capture.Armed: 1,
			capture.Recording: 2, capture.Ready: 3},
		ids:  ids(1, 1),
		data: area{Holding, blockData, blockData + span - 1},
		areas: []area{{Holding, 0, 99},
			{Holding, blockData, blockData + span - 1}},
		armTable: Holding, arm: 90, armWord: 0xA5A5,
		resetTable: Holding, reset: 91, resetWord: 0x5A5A,
	}
	l.add(Holding, 0, capture.Uint16, "status.word", statusWord)
	l.add(Holding, 1, capture.Uint16, "status.fault_code", faultCode)
	l.add(Holding, 2, capture.Uint16, "status.fault_count", faultCount)
	l.add(Holding, 3, capture.Uint16, "status.recorder", l.state)
	l.add(Holding, 4, capture.Uint32, "status.hours", hours)
	l.live(Holding, 8)
	l.identity(s, Holding, 20, 22, calendar)
	l.header(s, Holding, 32)
	l.settings(s, Holding, 40)
	return l
}

func windowLayout(s Spec) *layout {
	r := s.Recorder
	l := &layout{
		order: r.WordOrder,
		states: map[capture.RecorderState]uint16{capture.Idle: 10, capture.Armed: 20,
			capture.Recording: 30, capture.Ready: 40},
		ids:  ids(101, 10),
		data: area{Holding, 400, 400 + r.Window - 1},
		areas: []area{{Input, 100, 139}, {Holding, 200, 259}, {Holding, 300, 301},
			{Holding, 400, 400 + r.Window - 1}},
		page: 300, shows: 301,
		armTable: Holding, arm: 258, armWord: 1,
		resetTable: Holding, reset: 259, resetWord: 1,
	}
	l.add(Input, 100, capture.Uint16, "status.recorder", l.state)
	l.add(Input, 101, capture.Uint16, "status.word", statusWord)
	l.add(Input, 102, capture.Uint32, "status.fault_code", faultCode)
	l.add(Input, 104, capture.Uint32, "status.fault_count", faultCount)
	l.add(Input, 106, capture.Uint32, "status.hours", hours)
	l.live(Input, 110)
	l.identity(s, Input, 120, 122, unixMillis)
	l.header(s, Holding, 200)
	l.settings(s, Holding, 220)
	l.add(Holding, l.page, capture.Uint16, "data.page", func(d *Drive) uint64 { return uint64(d.nextPage) })
	l.add(Holding, l.shows, capture.Uint16, "data.shows", func(d *Drive) uint64 { return uint64(d.page) })
	return l
}

func filesLayout(s Spec) *layout {
	l := &layout{
		order: s.Recorder.WordOrder,
		// One bit a state, in the low half of a word whose high half holds other things.
		states: map[capture.RecorderState]uint16{capture.Idle: 1, capture.Armed: 2,
			capture.Recording: 4, capture.Ready: 8},
		ids: ids(0x20, 1),
		areas: []area{{Discrete, 0, 15}, {Coil, 10, 11}, {Input, 500, 549}, {Input, 600, 619},
			{Holding, 700, 749}},
		armTable: Coil, arm: 10, armWord: 1,
		resetTable: Coil, reset: 11, resetWord: 1,
		file: 4,
	}
	for bit := range 16 {
		l.add(Discrete, uint16(bit), capture.Uint16, bitKeys[bit], func(d *Drive) uint64 { return statusWord(d) >> bit })
	}
	l.add(Input, 500, capture.Uint16, "status.fault_code", faultCode)
	l.add(Input, 501, capture.Uint16, "status.fault_count", faultCount)
	l.add(Input, 502, capture.Uint16, "status.recorder", func(d *Drive) uint64 { return l.state(d) | 0x5A00 })
	l.add(Input, 504, capture.Uint32, "status.hours", hours)
	l.live(Input, 510)
	l.identity(s, Input, 520, 522, unixSeconds)
	l.header(s, Input, 600)
	l.settings(s, Holding, 700)
	return l
}

// bitKeys are the bits of the files face that a map points at.
var bitKeys = [16]string{3: "status.fault", 7: "status.warning"}

func (l *layout) add(table string, addr uint16, t capture.Type, key string, get func(*Drive) uint64) {
	l.cells = append(l.cells, cell{key, table, addr, t, get})
}

func (l *layout) state(d *Drive) uint64 { return uint64(l.states[d.state]) }

func (l *layout) live(table string, at uint16) {
	for i, role := range liveRoles {
		l.add(table, at+uint16(i), capture.Int16, "live."+string(role),
			func(d *Drive) uint64 { return number(capture.Int16, d.live(role)/signals[role].step) })
	}
}

// liveRoles are shown all the time, in counts of a 16-bit sample.
var liveRoles = []capture.Role{capture.RoleSpeed, capture.RoleCurrent, capture.RoleTorque,
	capture.RoleDCLink, capture.RoleTemperature}

// timeForm is how a drive shows the trigger time.
type timeForm int

const (
	calendar    timeForm = iota // seven registers: year … millisecond
	unixMillis                  // one 64-bit number
	unixSeconds                 // one 32-bit number
)

func (l *layout) identity(s Spec, table string, counter, clock uint16, form timeForm) {
	if !s.Recorder.NoCounter {
		l.add(table, counter, capture.Uint32, "identity.counter", func(d *Drive) uint64 { return uint64(d.counter) })
	}
	if s.Recorder.NoTime {
		return
	}
	show := func(f func(time.Time) int64) func(*Drive) uint64 {
		return func(d *Drive) uint64 {
			if in := d.present(); in != nil {
				return uint64(f(in.Clock.UTC()))
			}
			return 0
		}
	}
	switch form {
	case calendar:
		for i, f := range []func(time.Time) int64{
			func(t time.Time) int64 { return int64(t.Year()) },
			func(t time.Time) int64 { return int64(t.Month()) },
			func(t time.Time) int64 { return int64(t.Day()) },
			func(t time.Time) int64 { return int64(t.Hour()) },
			func(t time.Time) int64 { return int64(t.Minute()) },
			func(t time.Time) int64 { return int64(t.Second()) },
			func(t time.Time) int64 { return int64(t.Nanosecond() / 1e6) },
		} {
			l.add(table, clock+uint16(i), capture.Uint16, "header.time."+calendarKeys[i], show(f))
		}
	case unixMillis:
		l.add(table, clock, capture.Uint64, "header.time", show(time.Time.UnixMilli))
	case unixSeconds:
		l.add(table, clock, capture.Uint32, "header.time", show(time.Time.Unix))
	}
}

var calendarKeys = []string{"year", "month", "day", "hour", "minute", "second", "millisecond"}

// header describes the recording in memory; without one, what the next will
// be, or nothing at all on a drive with a BareHeader.
func (l *layout) header(s Spec, table string, at uint16) {
	of := func(f func(*incident) uint64) func(*Drive) uint64 {
		return func(d *Drive) uint64 {
			if in := d.present(); in != nil {
				return f(in)
			}
			return 0
		}
	}
	shape := func(f func(Recorder) uint64) func(*Drive) uint64 {
		return func(d *Drive) uint64 {
			in := d.present()
			switch {
			case in != nil:
				return f(in.made)
			case d.spec.Recorder.BareHeader:
				return 0
			}
			return f(d.spec.Recorder)
		}
	}
	l.add(table, at, capture.Uint16, "header.channels", shape(func(r Recorder) uint64 { return uint64(len(r.Channels)) }))
	l.add(table, at+1, capture.Uint16, "header.samples", shape(func(r Recorder) uint64 { return uint64(r.Samples) }))
	l.add(table, at+2, capture.Uint32, "header.interval", shape(func(r Recorder) uint64 { return uint64(r.Interval / time.Microsecond) }))
	l.add(table, at+4, capture.Uint16, "header.trigger", shape(func(r Recorder) uint64 { return uint64(r.before()) }))
	switch s.Recorder.Checksum {
	case CRC16:
		l.add(table, at+5, capture.Uint16, "checksum", of((*incident).checksum))
	case CRC32, Sum:
		l.add(table, at+6, capture.Uint32, "checksum", of((*incident).checksum))
	}
}

func (in *incident) checksum() uint64 { return checksum(in.made.Checksum, in.Data) }

// settings are what the recorder is set to, for the next recording.
func (l *layout) settings(s Spec, table string, at uint16) {
	l.setTable, l.set = table, at
	l.add(table, at, capture.Uint32, "settings.interval", func(d *Drive) uint64 { return uint64(d.spec.Recorder.Interval / time.Microsecond) })
	l.add(table, at+2, capture.Uint16, "settings.samples", func(d *Drive) uint64 { return uint64(d.spec.Recorder.Samples) })
	l.add(table, at+3, capture.Uint16, "settings.pretrigger", func(d *Drive) uint64 { return uint64(d.spec.Recorder.PreTrigger*100 + 0.5) })
	l.add(table, at+4, capture.Uint16, "settings.trigger", func(d *Drive) uint64 { return triggerNumbers[d.spec.Recorder.Trigger.On] })
	l.add(table, at+5, capture.Uint16, "settings.trigger_code", func(d *Drive) uint64 { return uint64(d.spec.Recorder.Trigger.Code) })
	for i := range slots {
		l.add(table, at+8+uint16(i), capture.Uint16, "settings.slot", func(d *Drive) uint64 {
			chosen := d.spec.Recorder.Channels
			if in := d.present(); in != nil {
				chosen = in.made.Channels
			}
			if i >= len(chosen) {
				return 0
			}
			return uint64(l.ids[chosen[i]])
		})
	}
}

var triggerNumbers = map[TriggerOn]uint64{OnFault: 1, OnCode: 2, OnLevel: 3, OnBit: 4}

// ids numbers the signals from first on.
func ids(first, step uint16) map[capture.Role]uint16 {
	m := map[capture.Role]uint16{}
	for i, role := range Signals {
		m[role] = first + uint16(i)*step
	}
	return m
}

// States of the CiA 402 statusword (IEC 61800-7-201): operation enabled is
// mask 6Fh value 27h, fault is mask 4Fh value 08h.
const (
	wordEnabled = 0x0637 // with voltage enabled, remote, target reached
	wordFault   = 0x0218 // with voltage enabled, remote
	wordWarning = 0x0080
)

func statusWord(d *Drive) uint64 {
	word := uint64(wordEnabled)
	if d.fault != 0 {
		word = wordFault
	}
	if d.warning() {
		word |= wordWarning
	}
	return word
}

func faultCode(d *Drive) uint64  { return uint64(d.fault) }
func faultCount(d *Drive) uint64 { return uint64(d.faults) }

// hours are the operating hours in tenths.
func hours(d *Drive) uint64 {
	before := 100000 + d.spec.Seed%200000
	return before + uint64(d.now.Sub(d.start)/(6*time.Minute))
}
