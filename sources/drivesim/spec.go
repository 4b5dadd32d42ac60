package drivesim

import (
	"fmt"
	"time"

	"faultkeep/store/capture"
)

// Face is the way in which a drive shows its recording.
type Face string

// The faces. Each has its own addresses, tables, state numbers, signal numbers
// and word order, so that only the right map reads it.
const (
	Block  Face = "block"  // plain holding registers; at most 64,512 of them
	Window Face = "window" // a page is selected, shows after a while, and is read through a fixed window
	Files  Face = "files"  // file records, function code 20
)

// Spec says what a drive is. Zero fields take the defaults written beside them.
type Spec struct {
	Name    string        // for a config: letters, digits, hyphens
	Title   string        // as people call it
	Gateway string        // drives with the same one are behind the same address; empty: its own
	Unit    uint8         // Modbus unit; 0: 1
	Latency time.Duration // of its server, where Endpoints makes the Behaviour

	Machine  Machine // zero: Belt()
	Noise    Noise   // empty: Normal
	Face     Face    // empty: Block
	Recorder Recorder
	Plan     Plan
	Seed     uint64

	Clock   time.Duration // the drive's clock minus the true time
	MaxRead int           // most registers a read; 0: 125
	Pattern bool          // instead of physics, samples are a hash of seed and recording; levels and bits then trigger with the trip
}

// Noise is how noisy the measured signals are.
type Noise string

// The levels, a factor of four apart.
const (
	Quiet  Noise = "quiet"
	Normal Noise = "normal"
	Loud   Noise = "loud"
)

func (n Noise) factor() float64 {
	switch n {
	case Quiet:
		return 0.25
	case Loud:
		return 4
	}
	return 1
}

// Recorder is the drive's recorder and what it is set to.
type Recorder struct {
	Interval   time.Duration  // between samples; 0: 1 ms
	Samples    int            // per channel; 0: 1024
	PreTrigger float64        // share before the trigger; 0: 0.75, negative: none
	Trigger    Trigger        // zero: any fault
	Channels   []capture.Role // nil: all of Signals
	Process    time.Duration  // from the last sample until the recording is ready

	SelfArm        bool          // arms itself after a reset and at power-on; else waits for the arm write
	ArmTakes       time.Duration // from the arm write until armed
	Overwrite      bool          // a ready recorder triggers again and overwrites what it holds
	KeepsOverReset bool          // a fault reset leaves the recording alone

	Order     capture.Order // empty: interleaved for Window, else by channel
	Type      capture.Type  // of every sample; empty: int16
	WordOrder WordOrder     // of every wide number of the drive; empty: low-first for Window, else high-first
	Stride    int           // Block, by channel: registers between the starts of channels; 0: packed
	Window    int           // Window: registers in the window; 0: 120
	Settle    time.Duration // Window: until a selected page shows

	Settable bool // interval and pre-trigger share can be written while nothing is being recorded

	NoCounter       bool     // no recording counter
	VolatileCounter bool     // the counter starts from 0 at power-on
	NoTime          bool     // no trigger time
	BareHeader      bool     // while there is no recording the header is all 0, instead of describing the next one
	Checksum        Checksum // empty: CRC-16 for Block, CRC-32 for Files, none for Window
	Erased          Erased   // empty: refused for Files, else zeros
	Refusal         byte     // the exception of refused data; 0: 02
}

// Trigger says what starts a recording.
type Trigger struct {
	On      TriggerOn // empty: OnFault
	Code    uint16    // OnCode: the fault code
	Channel capture.Role
	Level   float64 // OnLevel: in the channel's unit
	Falling bool    // OnLevel: crossing downwards; OnBit: 1 → 0
	Bit     int     // OnBit: of the digital word, lowest is 0
}

// TriggerOn is the kind of a trigger.
type TriggerOn string

// The kinds of triggers.
const (
	OnFault TriggerOn = "fault"
	OnCode  TriggerOn = "fault-code"
	OnLevel TriggerOn = "level"
	OnBit   TriggerOn = "bit"
)

// WordOrder is the order of the registers of a wide number.
type WordOrder string

// The word orders.
const (
	HighFirst WordOrder = "high-first"
	LowFirst  WordOrder = "low-first"
)

// Checksum is the drive's own checksum over the data as transmitted.
type Checksum string

// The checksums.
const (
	NoChecksum Checksum = "none"
	CRC16      Checksum = "crc-16" // as in Modbus RTU
	CRC32      Checksum = "crc-32" // as in IEEE 802.3
	Sum        Checksum = "sum"    // of all registers, modulo 2^32
)

// Erased says how the data area answers when there is no recording.
type Erased string

// The ways.
const (
	Zeros   Erased = "zeros"
	Refused Erased = "refused" // with exception Recorder.Refusal
)

// Plan says what happens to the drive by itself. The zero Plan: nothing.
type Plan struct {
	Mean   time.Duration   // mean time from running to the next trip, exponentially spread; 0: none at random
	Least  time.Duration   // shortest such time
	At     []time.Duration // trips at these times after the start, ascending; skipped while not running
	Causes []Cause         // drawn from at random; nil: those of the machine

	ResetMin, ResetMax time.Duration // the PLC resets a fault so long after the trip; ResetMax 0: never
	CutChance          float64       // share of trips in which power is cut before the reset
	CutFor             time.Duration // how long power stays away; 0: 3 s
}

// Most registers a Block can show: the addresses below its data are its own.
const blockRegisters = 65536 - blockData

// complete fills in the defaults.
func (s Spec) complete() Spec {
	if s.Face == "" {
		s.Face = Block
	}
	if s.Unit == 0 {
		s.Unit = 1
	}
	if s.MaxRead == 0 {
		s.MaxRead = 125
	}
	if s.Machine.Name == "" {
		s.Machine = Belt()
	}
	if s.Plan.CutFor == 0 {
		s.Plan.CutFor = 3 * time.Second
	}
	if s.Plan.Causes == nil {
		s.Plan.Causes = s.Machine.Causes
	}
	s.Recorder = s.Recorder.complete(s.Face)
	return s
}

func (r Recorder) complete(face Face) Recorder {
	def(&r.Interval, time.Millisecond)
	def(&r.Samples, 1024)
	def(&r.PreTrigger, 0.75)
	r.PreTrigger = max(0, r.PreTrigger)
	def(&r.Trigger.On, OnFault)
	def(&r.Type, capture.Int16)
	def(&r.Window, 120)
	def(&r.Refusal, 0x02)
	if r.Channels == nil {
		r.Channels = Signals
	}
	switch face {
	case Block:
		def(&r.Order, capture.ByChannel)
		def(&r.WordOrder, HighFirst)
		def(&r.Checksum, CRC16)
		def(&r.Erased, Zeros)
	case Window:
		def(&r.Order, capture.Interleaved)
		def(&r.WordOrder, LowFirst)
		def(&r.Checksum, NoChecksum)
		def(&r.Erased, Zeros)
	case Files:
		def(&r.Order, capture.ByChannel)
		def(&r.WordOrder, HighFirst)
		def(&r.Checksum, CRC32)
		def(&r.Erased, Refused)
	}
	return r
}

func def[T comparable](field *T, value T) {
	var zero T
	if *field == zero {
		*field = value
	}
}

// check says what makes the spec impossible.
func (s Spec) check() error {
	r := s.Recorder
	words := len(r.Channels) * r.Samples * width(r.Type)
	span := words
	if r.Stride > 0 {
		span = len(r.Channels) * r.Stride
	}
	switch {
	case s.Face != Block && s.Face != Window && s.Face != Files:
		return fmt.Errorf("drive %s: no face %q", s.Name, s.Face)
	case width(r.Type) == 0:
		return fmt.Errorf("drive %s: no sample type %q", s.Name, r.Type)
	case r.Order != capture.ByChannel && r.Order != capture.Interleaved:
		return fmt.Errorf("drive %s: no order %q", s.Name, r.Order)
	case len(r.Channels) > slots || len(r.Channels) == 0:
		return fmt.Errorf("drive %s: %d channels, the recorder has 1 to %d", s.Name, len(r.Channels), slots)
	case r.Samples < 1 || r.Samples > 65535 || r.Interval <= 0 || r.PreTrigger >= 1:
		return fmt.Errorf("drive %s: impossible recorder settings", s.Name)
	case r.Stride > 0 && (s.Face != Block || r.Order != capture.ByChannel || r.Stride < r.Samples*width(r.Type)):
		return fmt.Errorf("drive %s: a stride needs a block by channel and room for a channel", s.Name)
	case s.MaxRead < 1 || s.MaxRead > 125:
		return fmt.Errorf("drive %s: %d registers a read, the protocol has 1 to 125", s.Name, s.MaxRead)
	case s.Face == Block && span > blockRegisters:
		return fmt.Errorf("drive %s: %d registers don't fit into a block", s.Name, span)
	case s.Face == Window && (r.Window < 1 || r.Window > 125):
		return fmt.Errorf("drive %s: a window has 1 to 125 registers", s.Name)
	}
	for _, role := range r.Channels {
		if _, ok := signals[role]; !ok {
			return fmt.Errorf("drive %s: no signal for role %q", s.Name, role)
		}
	}
	return nil
}

// before is the number of samples before the trigger.
func (r Recorder) before() int { return int(r.PreTrigger*float64(r.Samples) + 0.5) }

// after is the time from the trigger until the last sample is taken.
func (r Recorder) after() time.Duration {
	return time.Duration(r.Samples-r.before()) * r.Interval
}
