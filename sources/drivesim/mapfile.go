package drivesim

import (
	"fmt"
	"strings"
	"time"

	"faultkeep/store/capture"
)

// Map is the text of the map file that fits the drive. It depends on the face,
// the types, the identity and the checksum, and not on how long or how fine the
// recorder records.
func (d *Drive) Map() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return mapText(d.spec, d.layout)
}

// mapWriter puts a map together, section by section.
type mapWriter struct {
	strings.Builder
	l *layout
}

func (w *mapWriter) line(format string, a ...any) { fmt.Fprintf(w, format+"\n", a...) }

func (l *layout) find(key string) (cell, bool) {
	for _, c := range l.cells {
		if c.key == key {
			return c, true
		}
	}
	return cell{}, false
}

// place is a cell in the map's syntax, without its braces; more is added as it stands.
func (l *layout) place(key, more string) string {
	c, _ := l.find(key)
	s := fmt.Sprintf("%s: %d", c.table, c.addr)
	if bits := c.table == Coil || c.table == Discrete; !bits && c.typ != capture.Uint16 {
		s += ", type: " + string(c.typ)
		if width(c.typ) > 1 && l.order == LowFirst {
			s += ", words: low-first"
		}
	}
	if more != "" {
		s += ", " + more
	}
	return s
}

func mapText(s Spec, l *layout) string {
	w := &mapWriter{l: l}
	r := s.Recorder
	w.line("# The map of a simulated drive with the %s face.", s.Face)
	w.line("")
	w.line("name: sim-%s", s.Face)
	w.line("note: Simulated drive. %s", notes[s.Face])
	w.status(s)
	w.line("\nlive:")
	for _, role := range liveRoles {
		sig := signals[role]
		w.line("  - {name: %s, %s}", sig.name, l.place("live."+string(role), fmt.Sprintf("scale: %v, unit: %s", sig.step, sig.unit)))
	}
	w.identity(r)
	w.header(r)
	w.channels(r)
	w.data(s)
	if r.Checksum != NoChecksum {
		w.line("\nchecksum: {kind: %s, %s}", r.Checksum, l.place("checksum", ""))
	}
	w.line("\nexpect:")
	w.line("  - {name: trigger, %s}", l.place("settings.trigger", "equals: 1, values: {1: any fault, 2: one fault code, 3: a level, 4: a bit}"))
	w.line("  - {name: pre-trigger share, %s}", l.place("settings.pretrigger", `unit: "%", low: 50, high: 90`))
	w.line("\narm:\n  writes:\n    - {%s: %d, value: %d}\n  within: 2s", l.armTable, l.arm, l.armWord)
	connections := 4
	if s.Face == Window { // there is one page select for all of them
		connections = 1
	}
	w.line("\nlimits:\n  registers: %d\n  connections: %d\n  bridge: 32", s.MaxRead, connections)
	return w.String()
}

var notes = map[Face]string{
	Block:  "Samples in plain holding registers; high word first.",
	Window: "Samples through a window of registers, page by page; low word first.",
	Files:  "Samples in file records, function code 20.",
}

func (w *mapWriter) status(s Spec) {
	l := w.l
	w.line("\nstatus:")
	if s.Face == Files {
		w.line("  fault:       {%s}", l.place("status.fault", ""))
		w.line("  warning:     {%s}", l.place("status.warning", ""))
	} else {
		w.line("  fault:       {%s}", l.place("status.word", "bit: 3"))
		w.line("  warning:     {%s}", l.place("status.word", "bit: 7"))
	}
	w.line("  fault_code:  {%s}", l.place("status.fault_code", ""))
	w.line("  fault_count: {%s}", l.place("status.fault_count", ""))
	w.line("  hours:       {%s}", l.place("status.hours", "scale: 0.1, unit: h"))
	mask := ""
	if s.Face == Files {
		mask = "mask: 0x000F, "
	}
	var states []string
	for _, state := range []capture.RecorderState{capture.Idle, capture.Armed, capture.Recording, capture.Ready} {
		states = append(states, fmt.Sprintf("%d: %s", l.states[state], state))
	}
	w.line("  state:       {%s}", l.place("status.recorder", mask+"values: {"+strings.Join(states, ", ")+"}"))
}

// identity lists the counter and, for drives without one, the trigger time.
func (w *mapWriter) identity(r Recorder) {
	var lines []string
	if !r.NoCounter {
		lines = append(lines, "recording number, "+w.l.place("identity.counter", ""))
	}
	if !r.NoTime {
		for _, c := range w.l.cells {
			if c.key == "header.time" || strings.HasPrefix(c.key, "header.time.") {
				name := strings.TrimSpace("trigger " + strings.TrimPrefix(strings.TrimPrefix(c.key, "header.time"), "."))
				if name == "trigger" {
					name = "trigger time"
				}
				lines = append(lines, name+", "+w.l.place(c.key, ""))
			}
		}
	}
	if len(lines) == 0 {
		return
	}
	w.line("\nidentity:")
	for _, line := range lines {
		w.line("  - {name: %s}", line)
	}
}

func (w *mapWriter) header(r Recorder) {
	l := w.l
	w.line("\nheader:")
	w.line("  channel_count: {%s}", l.place("header.channels", ""))
	w.line("  samples:       {%s}", l.place("header.samples", ""))
	w.line("  interval:      {%s}", l.place("header.interval", "scale: 0.000001, unit: s"))
	w.line("  trigger:       {%s}", l.place("header.trigger", ""))
	if r.NoTime {
		return
	}
	one, ok := l.find("header.time")
	switch {
	case !ok:
		w.line("  time:")
		for _, key := range calendarKeys {
			w.line("    %s: {%s}", key, l.place("header.time."+key, ""))
		}
	case one.typ == capture.Uint64:
		w.line("  time: {unix_milliseconds: {%s}}", l.place("header.time", ""))
	default:
		w.line("  time: {unix_seconds: {%s}}", l.place("header.time", ""))
	}
}

func (w *mapWriter) channels(r Recorder) {
	first, _ := w.l.find("settings.slot")
	w.line("\nchannels:")
	for i := range slots {
		w.line("  - {select: {%s: %d}}", first.table, int(first.addr)+i)
	}
	w.line("\nsignals:")
	for _, role := range Signals {
		sig, c := signals[role], codingOf(role, r.Type)
		more := ""
		if c.typ != r.Type {
			more += ", type: " + string(c.typ)
		}
		if sig.unit != "" {
			more += ", unit: " + sig.unit
		}
		if c.scale != 1 {
			more += fmt.Sprintf(", scale: %v", c.scale)
		}
		if c.offset != 0 {
			more += fmt.Sprintf(", offset: %v", c.offset)
		}
		if role == capture.RoleDigital {
			more += ", bits: [" + strings.Join(Bits, ", ") + "]"
		}
		w.line("  %d: {name: %s, role: %s%s}", w.l.ids[role], sig.name, role, more)
	}
}

func (w *mapWriter) data(s Spec) {
	r, l := s.Recorder, w.l
	w.line("\ndata:")
	switch s.Face {
	case Block:
		w.line("  layout: block\n  %s: %d", l.data.table, l.data.first)
		if r.Stride > 0 {
			w.line("  stride: %d", r.Stride)
		}
	case Window:
		w.line("  layout: window\n  page: {%s}\n  shows: {%s}", l.place("data.page", ""), l.place("data.shows", ""))
		w.line("  first: %d\n  %s: %d\n  length: %d", firstPage, l.data.table, l.data.first, r.Window)
		w.line("  settle: %v", max(500*time.Millisecond, 10*r.Settle))
	case Files:
		w.line("  layout: file-records\n  file: %d\n  record: %d", l.file, l.record)
	}
	w.line("  order: %s\n  type: %s\n  words: %s", r.Order, r.Type, r.WordOrder)
}
