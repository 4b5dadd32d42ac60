package response

import (
	"slices"
	"strings"
	"unicode"

	"faultkeep/store/capture"
)

// pair is a setpoint and the actual value that is meant to follow it, as
// indexes of channels.
type pair struct{ set, act int }

// Words that people name channels with. Common practice, no source.
var (
	setpointWords = []string{"setpoint", "setpt", "sp", "reference", "ref", "command", "cmd", "commanded", "demand", "target", "desired", "nominal"}
	actualWords   = []string{"actual", "act", "feedback", "fb", "fbk", "measured", "meas", "pv", "encoder"}
	fillers       = []string{"value", "val", "motor", "drive", "output", "the", "of", "set", "point"}
	quantities    = map[string]string{
		"speed": "speed", "velocity": "speed", "rpm": "speed", "frequency": "speed", "freq": "speed",
		"torque": "torque", "current": "current", "amps": "current", "position": "position", "pos": "position", "angle": "position",
		"voltage": "voltage", "dc": "voltage", "link": "voltage", "temperature": "temperature", "temp": "temperature",
		"power": "power", "pressure": "pressure", "flow": "flow", "level": "level", "tension": "tension",
		"error": "error", "deviation": "error",
	}
	roleQuantities = map[capture.Role]string{
		capture.RoleSpeed: "speed", capture.RoleCurrent: "current", capture.RoleTorque: "torque",
		capture.RoleDCLink: "voltage", capture.RolePositionError: "error", capture.RoleTemperature: "temperature",
	}
)

// label is a channel's name taken apart.
type label struct {
	setpoint bool
	actual   bool
	quantity string
	rest     []string // what is left of the words: "axis", "2"
	unit     string
}

// pairUp finds the setpoints and gives each the channel that most likely is
// its actual value. why says what is lacking where there is no pair.
func pairUp(channels []capture.Channel) (pairs []pair, why string) {
	labels := make([]label, len(channels))
	for i, ch := range channels {
		labels[i] = read(ch)
	}
	setpoints := 0
	for i, ch := range channels {
		if !labels[i].setpoint || ch.Digital() {
			continue
		}
		setpoints++
		best, most := -1, 0
		for j, other := range channels {
			if j == i || labels[j].setpoint || other.Digital() {
				continue
			}
			if fit := fits(labels[i], labels[j]); fit > most {
				best, most = j, fit
			}
		}
		if best >= 0 {
			pairs = append(pairs, pair{i, best})
		}
	}
	if setpoints == 0 {
		return nil, "no channel is a setpoint, so steps and ramps can't be told from disturbances; record the setpoint beside the actual value, or give its channel the role setpoint in the map"
	}
	return pairs, "no channel of the same quantity and unit belongs to the setpoint; record the actual value beside it"
}

// fits says how well an actual value belongs to a setpoint; 0 is not at all.
func fits(set, act label) int {
	if set.unit != "" && act.unit != "" && set.unit != act.unit || act.quantity == "error" {
		return 0
	}
	wanted := set.quantity
	if wanted == "" && len(set.rest) == 0 && act.quantity == "speed" {
		wanted = "speed" // what a drive's bare setpoint is
	}
	if wanted != "" && act.quantity != "" && wanted != act.quantity {
		return 0
	}
	score, shared := 0, 0
	for _, word := range set.rest {
		if slices.Contains(act.rest, word) {
			shared++
		}
	}
	if wanted != "" && wanted == act.quantity {
		score += 8
	}
	if set.unit != "" && set.unit == act.unit {
		score += 4
	}
	score += 2 * shared
	if act.actual && score > 0 {
		score += 2
	}
	if len(set.rest) > 0 && len(act.rest) > 0 && shared == 0 && score > 0 {
		score-- // axis 1 rather follows axis 1
	}
	return score
}

func read(ch capture.Channel) label {
	l := label{setpoint: ch.Role == capture.RoleSetpoint, quantity: roleQuantities[ch.Role], unit: normalUnit(ch.Unit)}
	words := split(ch.Name)
	for i, word := range words {
		switch {
		case slices.Contains(setpointWords, word), word == "set" && (i+1 == len(words) || words[i+1] == "point" || words[i+1] == "speed"):
			l.setpoint = l.setpoint || ch.Role == capture.RoleOther || ch.Role == ""
		case slices.Contains(actualWords, word):
			l.actual = true
		case quantities[word] != "":
			if l.quantity == "" || quantities[word] == "error" {
				l.quantity = quantities[word]
			}
		case !slices.Contains(fillers, word):
			l.rest = append(l.rest, word)
		}
	}
	if l.quantity == "" && slices.Contains([]string{"rpm", "hz"}, l.unit) {
		l.quantity = "speed"
	}
	return l
}

// split takes a name apart at everything but letters and digits, at changes
// from small to capital letters, and between letters and digits.
func split(name string) (words []string) {
	var word []rune
	flush := func() {
		if len(word) > 0 {
			words = append(words, strings.ToLower(string(word)))
			word = word[:0]
		}
	}
	previous := rune(0)
	for _, r := range name {
		letter, digit := unicode.IsLetter(r), unicode.IsDigit(r)
		if !letter && !digit || unicode.IsLower(previous) && unicode.IsUpper(r) ||
			letter && unicode.IsDigit(previous) || digit && unicode.IsLetter(previous) {
			flush()
		}
		if letter || digit {
			word = append(word, r)
		}
		previous = r
	}
	flush()
	return words
}

// normalUnit makes the ways to write one unit equal.
func normalUnit(unit string) string {
	u := strings.ToLower(strings.Join(strings.Fields(unit), ""))
	switch u {
	case "1/min", "r/min", "rev/min", "min-1", "min⁻¹", "min^-1", "u/min":
		return "rpm"
	case "n·m", "n*m", "n.m":
		return "nm"
	}
	return u
}
