package report

import "faultkeep/store/capture"

// Strip is a lane as Lanes draws it.
type Strip struct {
	Channels []int // by index: one, or a setpoint with its speed
	Bits     []int // of a digital word: those that have a row
}

// Layout is the lanes of a capture from top to bottom.
func Layout(c capture.Capture, series []capture.Series) []Strip {
	d := &drawing{c: c, series: series}
	var out []Strip
	for _, l := range arrange(c, series) {
		s := Strip{Channels: l.channels}
		if d.digital(l) {
			s.Bits = d.rows(l.channels[0])
		}
		out = append(out, s)
	}
	return out
}

// Missing are the runs of a channel's samples, as [start, end), that weren't read.
func Missing(c capture.Capture, channel int, s capture.Series) [][2]int {
	return missing(c, channel, s)
}

// Readout is a channel's value with its unit; of a digital word the names of its set bits.
func Readout(ch capture.Channel, value float64) string {
	if ch.Digital() {
		return word(ch, value)
	}
	return readout(ch, value)
}

// RoleOf is the class under which a channel is drawn (see CSS): its role, with
// every unknown one being capture.RoleOther.
func RoleOf(ch capture.Channel) string { return string(roleOf(ch)) }
