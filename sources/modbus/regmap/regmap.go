// Package regmap is the map: the file that says at which Modbus registers a
// drive model shows its status and its recording. It reads and checks maps,
// groups values into few requests, and decodes answers. It does no I/O.
//
// Addresses are PDU addresses, from 0, as in the Modbus Application Protocol
// Specification V1.1b3.
package regmap

import (
	"encoding/binary"
	"time"

	"faultkeep/store/capture"
)

// Table is one of the four Modbus data tables.
type Table string

// The tables; their names are the keys of a map.
const (
	Holding  Table = "holding"
	Input    Table = "input"
	Coil     Table = "coil"
	Discrete Table = "discrete"
)

// Bits tells whether the table holds single bits.
func (t Table) Bits() bool { return t == Coil || t == Discrete }

// Value is one number at a fixed place.
type Value struct {
	Name     string
	Table    Table
	Address  uint16
	Type     capture.Type // registers only; uint16 unless the map says otherwise
	Bit      int          // −1: the whole number; else this bit of it, lowest is 0
	Mask     uint64       // 0: none; else number & mask, before Values is looked up
	LowFirst bool         // words of a wide number: lowest first
	Scale    float64      // value = scale × number + offset
	Offset   float64
	Unit     string
	Values   map[int64]string // meaning of raw numbers, such as recorder states
}

// Reading is a decoded Value.
type Reading struct {
	Raw    int64   // the integer as read (after bit and mask); for floats the number truncated
	Number float64 // scale × number + offset
	Text   string  // meaning by Values, else the number with its unit
	Known  bool    // Values knew the number, or there are none
}

// Read is one request: n registers or bits from an address on.
type Read struct {
	Table   Table
	Address uint16
	Count   uint16
}

// Map is a drive model's map. Sections are documented in configs/maps/README.md.
type Map struct {
	Name string // of the drive model, ours to choose
	Note string
	Hash string // SHA-256 of the file, hex

	Status   Status
	Live     []Value
	Identity []Value
	Header   Header
	Channels []Channel        // fixed list, or one entry per signal slot
	Signals  map[int64]Signal // what a signal number means; used where Channels carry Select
	Data     Data
	Checksum *Checksum
	Expect   []Expect
	Arm      *Arm
	Settings []Setting // what arming sets first, where the config allows it
	Limits   Limits
}

// Status is what every poll reads. Nil values aren't on the drive.
type Status struct {
	Fault      *Value // true when the drive has tripped
	FaultCode  *Value
	Warning    *Value
	State      *Value // Values maps raw numbers to capture.RecorderState
	Hours      *Value // operating hours
	FaultCount *Value
}

// Header is read before every pull. Every entry is either a place or fixed by
// the map; Fixed holds the latter.
type Header struct {
	ChannelCount *Value  // how many of Channels are in the recording; nil: all
	Samples      *Value  // per channel
	Interval     *Value  // seconds after scale
	Trigger      *Value  // number of samples before the trigger
	Time         []Value // trigger time by the drive's clock: one value (TimeAs) or year…millisecond
	TimeAs       TimeAs
	Fixed        Fixed
}

// Fixed holds header entries that are the same for every recording.
type Fixed struct {
	Samples  int     // 0: not fixed
	Interval float64 // seconds; 0: not fixed
	Trigger  int     // −1: not fixed
}

// TimeAs says how the drive tells the trigger time.
type TimeAs string

// The ways.
const (
	NoTime         TimeAs = ""
	UnixSeconds    TimeAs = "unix-seconds"
	UnixMillis     TimeAs = "unix-milliseconds"
	CalendarFields TimeAs = "fields" // year, month, day, hour, minute, second[, millisecond]
)

// Channel is one signal of the recording: fixed by the map, or, where Select
// is set, looked up in Signals by the number read there.
type Channel struct {
	capture.Channel
	capture.Coding
	Select *Value
}

// Signal is what a signal number of the recorder stands for.
type Signal struct {
	capture.Channel
	capture.Coding
}

// Layout says how the recording's data is read.
type Layout string

// The layouts.
const (
	Block       Layout = "block"        // plain registers from Address on
	Window      Layout = "window"       // select a page, wait until it shows, read a fixed window
	FileRecords Layout = "file-records" // function code 20
)

// Data is where the samples are.
type Data struct {
	Layout   Layout
	Order    capture.Order
	Type     capture.Type // of every channel that doesn't say otherwise
	LowFirst bool

	// Block: first register. Stride is the distance in registers between the
	// starts of channels (by-channel only); 0: packed.
	Table   Table
	Address uint16
	Stride  int

	// Window: Page is written with First + page × Step and read back at Shows
	// (nil: Page itself); then Length registers are read from Address on.
	Page   Value
	Shows  *Value
	First  int
	Step   int
	Length int
	Settle time.Duration // longest wait until the page shows

	// FileRecords: the data starts at Record of File and runs on into the next
	// file after RecordsPerFile records of one register each.
	File           uint16
	Record         uint16
	RecordsPerFile int
}

// Checksum is the drive's own checksum over the data bytes as transmitted.
type Checksum struct {
	Kind  ChecksumKind
	Value Value
}

// ChecksumKind names the algorithm.
type ChecksumKind string

// The checksums: CRC-16 as in Modbus RTU (polynomial 8005h reflected, start
// FFFFh), CRC-32 as in IEEE 802.3, and the sum of all 16-bit registers,
// modulo the width of the checksum's own value.
const (
	CRC16 ChecksumKind = "crc-16"
	CRC32 ChecksumKind = "crc-32"
	Sum   ChecksumKind = "sum"
)

// Expect is a recorder setting that must have a wanted value.
type Expect struct {
	Value
	Equals *float64 // scaled; nil where Low and High bound it
	Low    *float64
	High   *float64
}

// Arm says how the recorder is armed: writes in order, then the state to wait for.
type Arm struct {
	Writes []Write
	Within time.Duration
}

// Setting is a recorder setting that arming writes if it isn't there yet, and
// reads back.
type Setting struct {
	Name string
	Write
}

// Read is the request that shows the setting.
func (s Setting) Read() Read {
	return Read{Table: s.Table, Address: s.Address, Count: uint16(len(s.Words))}
}

// Set tells whether an answer to Read shows the wanted value.
func (s Setting) Set(answer []byte) bool {
	if s.Table.Bits() {
		return len(answer) == 1 && uint16(answer[0]) == s.Words[0]
	}
	if len(answer) != 2*len(s.Words) {
		return false
	}
	for i, w := range s.Words {
		if binary.BigEndian.Uint16(answer[2*i:]) != w {
			return false
		}
	}
	return true
}

// Write is one value written to one place. Only Holding and Coil can be written.
type Write struct {
	Table   Table
	Address uint16
	Words   []uint16 // a coil: one word, 0 or 1
}

// Limits of the drive's Modbus server.
type Limits struct {
	Registers   int           // most registers a read, 1–125
	Connections int           // most connections at once
	Gap         time.Duration // least time between the end of one request and the next
	Bridge      int           // unmapped registers that a status read may include to save a request; default 16
}
