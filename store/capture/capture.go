// Package capture is the model that every other room speaks: what a recording
// became once faultkeep made it durable. Plain values, no I/O.
//
// Samples are never stored in a capture. It holds the Encoding by which the
// original bytes, kept verbatim beside it, become samples again.
package capture

import (
	"fmt"
	"math"
	"time"
)

// Schema is the version of the stored form of Capture, Alert and Entry.
const Schema = 1

// Capture describes one kept recording. It says everything about it but the
// bytes, which the store keeps in parts (see Chunk).
type Capture struct {
	Schema     int        `json:"schema"`
	ID         ID         `json:"id"`
	Origin     Origin     `json:"origin,omitempty"`
	Of         ID         `json:"of,omitempty"` // a trace: the capture of the recording of the same trip; empty: there is none
	Site       string     `json:"site,omitempty"`
	Drive      string     `json:"drive"`                // name in the config, unique
	Title      string     `json:"title,omitempty"`      // the drive as people call it
	DriveType  string     `json:"drive_type,omitempty"` // name of the map; captures of one type can be compared
	Fault      Fault      `json:"fault"`
	Trigger    Trigger    `json:"trigger"`
	Timing     Timing     `json:"timing"`
	Channels   []Channel  `json:"channels"`
	Encoding   Encoding   `json:"encoding"`
	Settings   []Setting  `json:"settings,omitempty"` // the recorder's settings as read at the pull
	Provenance Provenance `json:"provenance"`
	Integrity  Integrity  `json:"integrity"`
	Kept       time.Time  `json:"kept,omitzero"` // when it became durable, UTC
}

// Origin says what a capture was made of.
type Origin string

// The origins.
const (
	Recorded Origin = ""       // the drive's own recording
	Trace    Origin = "trace"  // coarse values that faultkeep sampled while polling
	Unread   Origin = "unread" // files that couldn't be decoded: original parts, no channels; Integrity.Why says why
)

// Name is the drive as people call it: its title, or else its config name.
func (c Capture) Name() string {
	if c.Title != "" {
		return c.Title
	}
	return c.Drive
}

// Trigger tells when the recorder triggered and at which sample.
type Trigger struct {
	Time     time.Time  `json:"time"`                 // best estimate, UTC
	Earliest time.Time  `json:"earliest,omitzero"`    // bounds by faultkeep's own clock, UTC; zero: not known
	Latest   time.Time  `json:"latest"`               //
	Drive    *time.Time `json:"drive_time,omitempty"` // by the drive's clock, where it has one
	Index    int        `json:"index"`                // number of samples before the trigger
}

// Uncertainty is half the width of the trigger's time bounds; 0 where Earliest
// isn't known, because nobody was watching before.
func (t Trigger) Uncertainty() time.Duration {
	if t.Earliest.IsZero() {
		return 0
	}
	return t.Latest.Sub(t.Earliest) / 2
}

// Role says what a channel is to a drive, so that the same signal looks the
// same on every page and analysis knows which is the setpoint.
type Role string

// The roles a channel can have. Anything else is RoleOther.
const (
	RoleSetpoint      Role = "setpoint"
	RoleSpeed         Role = "speed"
	RoleCurrent       Role = "current"
	RoleTorque        Role = "torque"
	RoleDCLink        Role = "dc-link"
	RolePositionError Role = "position-error"
	RoleTemperature   Role = "temperature"
	RoleDigital       Role = "digital" // a word of bits, drawn as bars
	RoleOther         Role = "other"
)

// Roles in their fixed order on pages and in legends.
var Roles = []Role{RoleSetpoint, RoleSpeed, RoleCurrent, RoleTorque, RoleDCLink,
	RolePositionError, RoleTemperature, RoleDigital, RoleOther}

// Channel is one signal of a recording.
type Channel struct {
	Name string   `json:"name"`
	Unit string   `json:"unit,omitempty"`
	Role Role     `json:"role"`
	Bits []string `json:"bits,omitempty"` // digital words: name of each bit, lowest first; "" is unused
}

// Digital tells whether the channel is a word of bits.
func (c Channel) Digital() bool { return c.Role == RoleDigital || len(c.Bits) > 0 }

// Setting is one recorder setting as the drive showed it.
type Setting struct {
	Name   string `json:"name"`
	Value  string `json:"value"`            // as read, scaled, with unit
	Wanted string `json:"wanted,omitempty"` // what the map expects; empty if nothing
	OK     bool   `json:"ok"`
}

// Provenance tells where a recording came from and how it was read.
type Provenance struct {
	Source   string    `json:"source"`             // "modbus" or "folder"
	Address  string    `json:"address"`            // host:port/unit, or the file's path
	Map      string    `json:"map,omitempty"`      // the map's name
	MapHash  string    `json:"map_hash,omitempty"` // SHA-256 of the map file, hex
	Identity string    `json:"identity"`           // what tells this recording from another on the same drive
	Ready    time.Time `json:"ready,omitzero"`     // first poll that showed it ready, UTC
	Opened   time.Time `json:"opened,omitzero"`    // when the pull began, UTC
	Pulled   time.Time `json:"pulled,omitzero"`    // when the last of it was read and proven, UTC
	Requests int       `json:"requests,omitempty"` // requests the pull took
	Resumed  int       `json:"resumed,omitempty"`  // times the pull went on after an interruption of faultkeep
	Warnings []string  `json:"warnings,omitempty"` // what a file said in a way that its format doesn't allow, a sentence each
	Folder   string    `json:"folder,omitempty"`   // of files: the folder's name in the config; empty: they were handed over by hand
	Files    []File    `json:"files,omitempty"`    // the files that it was read from
}

// File is one file that a recording was read from. Its bytes are a part of the
// originals.
type File struct {
	Name     string    `json:"name"` // path below the folder or archive; what isn't UTF-8 in it is written \xNN
	Part     string    `json:"part"` // of the originals; empty: another capture of the same files holds it
	Size     int64     `json:"size"`
	Modified time.Time `json:"modified,omitzero"` // as the file system told, UTC
}

// Integrity tells whether a capture is whole and how that was established.
type Integrity struct {
	Whole    bool     `json:"whole"`
	Why      string   `json:"why,omitempty"`      // if not whole: one sentence
	Verified []string `json:"verified,omitempty"` // what was checked, a phrase each: "identity before and after", "CRC-32 of the drive"
	Size     int64    `json:"size"`               // bytes of the whole recording in part Data
	Have     []Range  `json:"have"`               // byte ranges of part Data that are present, ascending
	Parts    []Part   `json:"parts"`              // every part of the originals, with its hash; filled by the store
	SHA256   string   `json:"sha256"`             // over the parts' hashes in order; filled by the store
	Same     ID       `json:"same,omitempty"`     // another capture that has the very same bytes and holds them for both; filled by the store
}

// Part is one named piece of the originals.
type Part struct {
	Name   string `json:"name"` // Data, or a name such as "header"
	Size   int64  `json:"size"` // bytes present
	SHA256 string `json:"sha256"`
}

// Data is the name of the part that holds the samples' original bytes.
const Data = "data"

// FilePart begins the name of a part that is a whole file; the file's name follows.
const FilePart = "file:"

// Chunk is a run of original bytes of one part.
type Chunk struct {
	Part   string // Data unless said otherwise
	Offset int64
	Bytes  []byte
}

// Range is the half-open interval [Start, End).
type Range struct {
	Start int64 `json:"start"`
	End   int64 `json:"end"`
}

// Len is the number of bytes in the range.
func (r Range) Len() int64 { return r.End - r.Start }

// Span is the part of the record, in seconds from the trigger, around the
// trigger for which every channel has samples. ok is false where the trigger
// sample itself is missing.
func (c Capture) Span() (from, to float64, ok bool) {
	first, last, ok := c.Encoding.Contiguous(c.Integrity.Have, c.Trigger.Index)
	if !ok {
		return 0, 0, false
	}
	return c.At(first), c.At(last), true
}

// Wholeness in words: "whole", "partial, −0.8…+0.3 s", "trace only" where
// there is no recording but what faultkeep itself sampled, or "unread".
func (c Capture) Wholeness() string {
	switch c.Origin {
	case Trace:
		return "trace only"
	case Unread:
		return "unread"
	}
	if c.Integrity.Whole {
		return "whole"
	}
	from, to, ok := c.Span()
	if !ok {
		return "partial, without the trigger"
	}
	return fmt.Sprintf("partial, %s…%s s", signed(from), signed(to))
}

func signed(v float64) string {
	switch {
	case v < 0:
		return fmt.Sprintf("−%.3g", -v)
	case v > 0:
		return fmt.Sprintf("+%.3g", v)
	}
	return "0"
}

// Series are the samples of one channel in its unit. A missing sample is NaN.
type Series []float64

// Bounds of the samples that are there; ok is false when none is.
func (s Series) Bounds() (low, high float64, ok bool) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range s {
		if math.IsInf(v, 0) {
			continue
		}
		if v < low { // never true of what isn't a number
			low = v
		}
		if v > high {
			high = v
		}
	}
	return low, high, low <= high
}
