package anatomy

import (
	"fmt"
	"math"
	"sort"
)

// The candidate causes, by the names that findings give them.
const (
	Supply   = "supply"          // the line voltage sagged or went away
	Phase    = "wiring or phase" // a line phase or its wiring
	Load     = "load or jam"     // what is driven asks for more, blocks, or drives the motor
	Feedback = "feedback signal" // the measured speed isn't the true one
	Control  = "control instability"
	Command  = "command beyond limits"
	Thermal  = "thermal"
	NotClear = "not clear"
)

// candidate is a cause with what speaks for and against it.
type candidate struct {
	name        string
	score       float64
	pro, contra []string
	channels    []string
	from        int
}

func (c *candidate) yes(weight float64, format string, args ...any) {
	c.score += weight
	c.pro = append(c.pro, fmt.Sprintf(format, args...))
}

func (c *candidate) no(weight float64, format string, args ...any) {
	c.score -= weight
	c.contra = append(c.contra, fmt.Sprintf(format, args...))
}

// rule looks at a study and gives a candidate, with no evidence for it where
// the rule doesn't apply.
type rule func(*study, *candidate)

var rules = []struct {
	name string
	rule rule
}{{Supply, supply}, {Phase, phase}, {Load, load}, {Feedback, feedback}, {Control, control}, {Command, beyond}, {Thermal, thermal}}

// least score of a candidate, and by how much the first must lead for the
// cause to be more than not clear.
const (
	leastScore = 1.0
	leastLead  = 0.3
)

// candidates are the causes with evidence for them, best first.
func (s *study) candidates() []candidate {
	var out []candidate
	for _, r := range rules {
		c := candidate{name: r.name}
		r.rule(s, &c)
		if len(c.pro) > 0 && c.score > 0 {
			out = append(out, c)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].score > out[j].score })
	return out
}

// moved is the track of a quantity that moved, or nil.
func (s *study) moved(q quantity) *track {
	for _, t := range s.tracks {
		if t.kind.quantity == q && t.moved {
			return t
		}
	}
	return nil
}

// first is the first mover, nil for none.
func (s *study) first() *mover {
	if len(s.movers) == 0 {
		return nil
	}
	return &s.movers[0]
}

// leads tells whether a track was the first, or can't be told from it.
func (s *study) leads(t *track) bool {
	f := s.first()
	return f != nil && (f.signal == t.signal || s.r(t.onset)-s.r(f.onset) <= s.unsure(f))
}

// r is the time of sample i.
func (s *study) r(i int) float64 { return s.at(i) }

// mechanical is the first of speed, torque, current and position error that moved.
func (s *study) mechanical() *track {
	var best *track
	for _, q := range []quantity{speed, torque, current, positionError} {
		if t := s.moved(q); t != nil && (best == nil || t.onset < best.onset) {
			best = t
		}
	}
	return best
}

func supply(s *study, c *candidate) {
	t := s.moved(link)
	if t == nil {
		return
	}
	c.channels, c.from = []string{t.name}, t.onset
	fall := s.fall(t)
	if fall < 0.05 || t.swing > 0 && fall < 0.2 {
		return
	}
	c.yes(1, "%s fell by %s, %.0f %% of its usual value.", t.name, amount(fall*math.Abs(t.usual), t.unit), 100*fall)
	if s.leads(t) {
		c.yes(1.5, "Nothing moved before it.")
	} else {
		c.no(1.2, "%s had moved %s before.", s.first().signal.name, span(s.r(t.onset)-s.r(s.first().onset)))
	}
	if fall > 0.15 {
		c.yes(0.5, "That is more than a load does that the drive is made for (common practice).")
	}
}

// fall is by what share of its usual value a DC link's mean was down at most
// over a half period of the line.
func (s *study) fall(t *track) float64 {
	w := max(1, int(0.012/max(s.pace(t.onset), 1e-9)))
	worst, sum := 0.0, 0.0
	for i := t.onset; i < len(t.off); i++ {
		v := t.samples[i] - t.usual
		if math.IsNaN(v - v) {
			v = 0
		}
		sum += v
		if n := i - t.onset + 1; n > w {
			if old := t.samples[i-w] - t.usual; !math.IsNaN(old - old) {
				sum -= old
			}
		}
		worst = min(worst, sum/float64(w))
	}
	if t.usual == 0 {
		return 0
	}
	return -worst / math.Abs(t.usual)
}

func phase(s *study, c *candidate) {
	t := s.moved(link)
	if t == nil || t.swing == 0 {
		return
	}
	c.channels, c.from = []string{t.name}, t.onset
	fall := s.fall(t)
	c.yes(1.5, "%s swings with %.0f Hz, twice the line's frequency, up to ±%s.", t.name, t.hz, amount(t.swing, t.unit))
	if fall < 0.12 {
		c.yes(1, "Its mean stays: %.0f %% down.", 100*fall)
	} else {
		c.no(1, "Its mean fell too, by %.0f %%.", 100*fall)
	}
	if s.leads(t) {
		c.yes(1, "Nothing moved before it.")
	} else {
		c.no(1, "%s had moved %s before.", s.first().signal.name, span(s.r(t.onset)-s.r(s.first().onset)))
	}
}

func load(s *study, c *candidate) {
	t := s.mechanical()
	if t == nil {
		return
	}
	c.channels, c.from = []string{t.name}, t.onset
	m, v := s.moved(torque), s.moved(speed)
	if m == nil {
		m = s.moved(current)
	}
	switch {
	case m != nil && v != nil:
		c.yes(1, "%s and %s moved.", m.name, v.name)
	case m != nil:
		c.yes(0.7, "%s moved.", m.name)
	case v != nil:
		c.yes(0.6, "%s moved.", v.name)
	default:
		return
	}
	if v != nil {
		if f := s.shapeOf(v); f.jump > 0.5 {
			c.no(1.2, "%s jumped by %.0f %% of its deviation within two samples; masses don't.", v.name, 100*f.jump)
		} else {
			c.yes(0.6, "%s went off gradually, as masses do.", v.name)
		}
	}
	if s.leads(t) {
		c.yes(0.6, "Nothing moved before them.")
	} else {
		c.no(1.2, "%s had moved %s before.", s.first().signal.name, span(s.r(t.onset)-s.r(s.first().onset)))
	}
	if g := s.swayed(); g != nil {
		c.no(0.8, "%s went off to both sides; a load pushes one way.", g.name)
	} else {
		c.yes(0.5, "The deviation goes one way.")
	}
}

// swayed is the speed, else the position error, if it went off to both sides, or nil.
func (s *study) swayed() *track {
	t := s.moved(speed)
	if t == nil {
		t = s.moved(positionError)
	}
	if t != nil {
		if f := s.shapeOf(t); f.sides > bothSides && f.jump < jumps {
			return t
		}
	}
	return nil
}

// swing is the shape of that mechanical channel that swings ever wider most often.
func (s *study) swing() (most shape) {
	for _, q := range []quantity{speed, torque, positionError} {
		if t := s.moved(q); t != nil {
			if f := s.shapeOf(t); f.growing > most.growing || f.growing == most.growing && f.swings > most.swings {
				most = f
			}
		}
	}
	return most
}

func feedback(s *study, c *candidate) {
	t := s.moved(speed)
	if t == nil {
		return
	}
	c.channels, c.from = []string{t.name}, t.onset
	f := s.shapeOf(t)
	if f.jump < 0.4 {
		return
	}
	c.yes(1.5, "%s jumped by %s within two samples; a mass can't.", t.name, amount(f.jump*math.Abs(t.peak), t.unit))
	if s.leads(t) {
		c.yes(0.8, "Nothing moved before it.")
	} else {
		c.no(1, "%s had moved %s before.", s.first().signal.name, span(s.r(t.onset)-s.r(s.first().onset)))
	}
	if o := s.overshot(); o != nil {
		c.no(2, "%s jumped itself.", o.signal.name)
	}
}

// overshot is the setpoint that asked too much, or nil.
func (s *study) overshot() *mover {
	for i := range s.movers {
		if s.movers[i].move != nil {
			return &s.movers[i]
		}
	}
	return nil
}

func control(s *study, c *candidate) {
	t := s.mechanical()
	if t == nil {
		return
	}
	c.channels, c.from = []string{t.name}, t.onset
	f := s.swing()
	sided := s.swayed()
	if sided != nil {
		c.yes(1.2, "%s went off to both sides; a load pushes one way.", sided.name)
	} else {
		c.no(0.5, "Speed and position went off to one side only.")
	}
	if f.growing < 2 && sided == nil && s.swells == nil {
		return
	}
	if w := s.swells; w != nil && f.growing < 2 {
		c.yes(1.2, "It swings with %.1f Hz, and each swing is %.1f times the one before.", w.hz, w.grow())
	}
	if f.growing >= 2 {
		c.yes(1.2+0.4*float64(min(f.growing, 5)-2), "It swings to and fro %d times, and each of %d swings is wider than the one before, up to %.1f times the first.",
			f.swings, f.growing, f.growth)
	}
	if s.leads(t) {
		c.yes(0.5, "Nothing moved before it.")
	} else {
		c.no(1, "%s had moved %s before.", s.first().signal.name, span(s.r(t.onset)-s.r(s.first().onset)))
	}
	if v := s.moved(speed); v != nil && s.shapeOf(v).jump > 0.4 {
		c.no(1, "It began with a jump of %s.", v.name)
	}
}

func beyond(s *study, c *candidate) {
	m := s.overshot()
	if m == nil {
		return
	}
	c.channels, c.from = []string{m.signal.name}, m.onset
	c.yes(2, "%s changed by %s at %s a second, which the drive didn't follow.", m.signal.name,
		amount(math.Abs(m.move.change), m.signal.unit), amount(m.move.rate, m.signal.unit))
	if f := s.first(); f.signal == m.signal {
		c.yes(1, "Nothing moved before it.")
	} else {
		c.no(1, "%s had moved %s before.", f.signal.name, span(s.r(m.onset)-s.r(f.onset)))
	}
}

func thermal(s *study, c *candidate) {
	t := s.moved(temperature)
	if t == nil || t.peak < 0 {
		return
	}
	c.channels, c.from = []string{t.name}, t.onset
	c.yes(1.2, "%s rose by %s, faster than before.", t.name, amount(t.peak, t.unit))
	if s.leads(t) {
		c.yes(1.2, "Nothing moved before it.")
	} else {
		c.no(1, "%s had moved %s before.", s.first().signal.name, span(s.r(t.onset)-s.r(s.first().onset)))
	}
	if s.mechanical() == nil && s.moved(link) == nil {
		c.yes(0.8, "Nothing else moved.")
	}
}
