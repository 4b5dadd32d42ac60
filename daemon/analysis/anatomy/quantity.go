package anatomy

import (
	"strings"
	"unicode"

	"faultkeep/store/capture"
)

// quantity is what a channel measures, as far as its role, name and unit tell.
type quantity string

const (
	other         quantity = ""
	speed         quantity = "speed"
	current       quantity = "current"
	torque        quantity = "torque"
	link          quantity = "DC link"
	position      quantity = "position"
	positionError quantity = "position error"
	temperature   quantity = "temperature"
	digital       quantity = "digital"
	ripple        quantity = "ripple" // of a DC link; no channel's own
)

// kind is a channel's quantity, and whether it is commanded instead of measured.
type kind struct {
	quantity quantity
	setpoint bool
}

var byRole = map[capture.Role]kind{
	capture.RoleSpeed: {speed, false}, capture.RoleCurrent: {current, false}, capture.RoleTorque: {torque, false},
	capture.RoleDCLink: {link, false}, capture.RolePositionError: {positionError, false},
	capture.RoleTemperature: {temperature, false}, capture.RoleDigital: {digital, false},
}

// patterns are tried in order against the words of a name. A pattern matches
// where all of its words are in the name.
var patterns = []struct {
	words    string
	quantity quantity
}{
	{"position error", positionError}, {"following error", positionError}, {"lag error", positionError},
	{"pos error", positionError}, {"pos err", positionError}, {"lag", positionError},
	{"temperature", temperature}, {"temp", temperature}, {"heatsink", temperature},
	{"dc link", link}, {"dclink", link}, {"dc bus", link}, {"dcbus", link}, {"dc voltage", link}, {"link voltage", link},
	{"bus voltage", link}, {"udc", link}, {"vdc", link}, {"u dc", link}, {"v dc", link}, {"vbus", link}, {"ubus", link}, {"intermediate circuit", link},
	{"torque", torque}, {"trq", torque}, {"current", current}, {"amps", current}, {"iq", current},
	{"speed", speed}, {"velocity", speed}, {"rpm", speed}, {"frequency", speed}, {"freq", speed}, {"vel", speed}, {"n act", speed}, {"n", speed},
	{"position", position}, {"pos", position},
}

// commanding are the words that make a channel a setpoint.
var commanding = []string{"setpoint", "setpt", "reference", "ref", "demand", "demanded", "command", "commanded", "cmd",
	"desired", "target", "sp", "set", "nominal", "wanted"}

var byUnit = map[string]quantity{
	"rpm": speed, "1/min": speed, "r/min": speed, "min-1": speed, "min⁻¹": speed, "rev/min": speed, "rad/s": speed, "m/s": speed, "hz": speed,
	"a": current, "ma": current, "aeff": current, "arms": current,
	"nm": torque, "n·m": torque, "n.m": torque, "n m": torque, "knm": torque,
	"v": link, "vdc": link, "v dc": link, "kv": link,
	"°c": temperature, "degc": temperature, "c": temperature, "°f": temperature, "k": temperature,
}

// kindOf tells what a channel measures: by its role, else by its name, else by
// its unit.
func kindOf(ch capture.Channel) kind {
	if ch.Digital() {
		return kind{digital, false}
	}
	if k, ok := byRole[ch.Role]; ok {
		return k
	}
	w := words(ch.Name)
	k := kind{setpoint: ch.Role == capture.RoleSetpoint}
	for _, c := range commanding {
		k.setpoint = k.setpoint || w[c]
	}
	unit := byUnit[strings.ToLower(strings.TrimSpace(ch.Unit))]
	for _, p := range patterns {
		if all(w, p.words) {
			k.quantity = p.quantity
			break
		}
	}
	switch {
	case k.quantity == other && !(unit == link && w.any("motor", "output", "phase", "line", "mains", "control", "analog", "input")):
		k.quantity = unit
	case k.quantity == other && k.setpoint:
		k.quantity = speed // what a drive is commanded, where nothing else is said
	}
	if k.quantity == other && ch.Role == capture.RoleSetpoint {
		k.quantity = speed
	}
	return k
}

// wordSet are a name's words in lower case.
type wordSet map[string]bool

func (w wordSet) any(of ...string) bool {
	for _, s := range of {
		if w[s] {
			return true
		}
	}
	return false
}

func all(w wordSet, of string) bool {
	for _, s := range strings.Fields(of) {
		if !w[s] {
			return false
		}
	}
	return true
}

// words splits a name at whatever isn't a letter or digit, and where a small
// letter meets a capital one.
func words(name string) wordSet {
	w := wordSet{}
	var b strings.Builder
	flush := func() {
		if b.Len() > 0 {
			w[strings.ToLower(b.String())] = true
			b.Reset()
		}
	}
	was := ' '
	for _, r := range name {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) || unicode.IsLower(was) && unicode.IsUpper(r) {
			flush()
		}
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			b.WriteRune(r)
		}
		was = r
	}
	flush()
	return w
}
