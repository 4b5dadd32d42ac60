package comtrade

import (
	"fmt"
	"strconv"
	"strings"
)

// analog is an analog channel: value = a × number + b, in its unit.
type analog struct {
	name, phase, circuit, unit string
	a, b                       float64
	skew                       float64 // microseconds after the sample's stamp
	primary, secondary         float64 // the transformer's ratio
	side                       Side    // of the values
}

// status is a status channel: one bit.
type status struct {
	name, phase, circuit string
	normal               int // its value in normal state
}

// How many fields a channel has, from the 1999 edition on and before.
const (
	analogFields, analogFields1991 = 13, 10
	statusFields, statusFields1991 = 5, 3
)

// analogLine reads An,ch_id,ph,ccbm,uu,a,b,skew,min,max,primary,secondary,PS.
func (p *parser) analogLine(number int) error {
	line, err := p.next(fmt.Sprintf("analog channel %d", number))
	if err != nil {
		return err
	}
	f := p.trailing(fields(line), analogFields)
	if len(f) > analogFields {
		if f, err = p.joined(f, analogFields); err != nil {
			return err
		}
	}
	if len(f) < 7 {
		return p.wrong("the file may be cut off or no COMTRADE .cfg", "has %d fields, an analog channel has %d", len(f), analogFields)
	}
	switch {
	case len(f) == analogFields:
		p.wide++
	case len(f) < analogFields1991 || p.given && p.edition != Edition1991:
		p.note("short", "has %d fields, an analog channel has %d; a ratio of 1 was taken for what is missing", len(f), analogFields)
	}
	p.number(f[0], number)
	f = append(f, make([]string, analogFields)...)
	c := analog{name: f[1], phase: f[2], circuit: f[3], unit: unit(f[4])}
	var ok bool
	if c.a, ok = finite(f[5]); !ok {
		return p.wrong("it must be a number with a decimal point", "has %s where the factor a belongs", quoted(f[5]))
	}
	if c.b, ok = finite(f[6]); !ok {
		return p.wrong("it must be a number with a decimal point", "has %s where the offset b belongs", quoted(f[6]))
	}
	if c.name == "" {
		c.name = fmt.Sprintf("analog %d", number)
		p.note("name", "names no channel; it is called %q", c.name)
	}
	c.skew = p.optional(f[7], 0, "the skew")
	c.primary = p.optional(f[10], 1, "the primary ratio")
	c.secondary = p.optional(f[11], 1, "the secondary ratio")
	c.side = p.side(f[12])
	p.analog = append(p.analog, c)
	return nil
}

// statusLine reads Dn,ch_id,ph,ccbm,y, or Dn,ch_id,y of 1991.
func (p *parser) statusLine(number int) error {
	line, err := p.next(fmt.Sprintf("status channel %d", number))
	if err != nil {
		return err
	}
	f := p.trailing(fields(line), statusFields)
	if len(f) > statusFields {
		if f, err = p.joined(f, statusFields); err != nil {
			return err
		}
	}
	if len(f) < 2 {
		return p.wrong("the file may be cut off or no COMTRADE .cfg", "has %d field, a status channel has %d", len(f), statusFields)
	}
	switch {
	case len(f) == statusFields:
		p.wide++
	case len(f) != statusFields1991 || p.given && p.edition != Edition1991:
		p.note("short status", "has %d fields, a status channel has %d", len(f), statusFields)
	}
	p.number(f[0], number)
	c := status{name: f[1]}
	normal := ""
	switch len(f) {
	case statusFields:
		c.phase, c.circuit, normal = f[2], f[3], f[4]
	case 4:
		c.phase, normal = f[2], f[3]
	case statusFields1991:
		normal = f[2]
	}
	switch normal {
	case "1":
		c.normal = 1
	case "0", "":
	default:
		p.note("normal", "has %s where a normal state of 0 or 1 belongs; 0 was taken", quoted(normal))
	}
	if c.name == "" {
		c.name = fmt.Sprintf("status %d", number)
		p.note("name", "names no channel; it is called %q", c.name)
	}
	p.status = append(p.status, c)
	return nil
}

// trailing drops empty fields at the end that are more than there should be.
func (p *parser) trailing(f []string, want int) []string {
	if len(f) > want && f[len(f)-1] == "" {
		p.note("trailing", "ends with a comma too many")
	}
	for len(f) > want && f[len(f)-1] == "" {
		f = f[:len(f)-1]
	}
	return f
}

// joined takes commas that are too many for part of the channel's name. A
// number where the unit belongs shows that they are decimal commas instead.
func (p *parser) joined(f []string, want int) ([]string, error) {
	extra := len(f) - want
	name := strings.Join(f[1:2+extra], ", ")
	out := append([]string{f[0], name}, f[2+extra:]...)
	if _, number := finite(out[4]); number && want == analogFields {
		return nil, p.wrong("look for decimal commas or a comma in a name", "has %d fields, an analog channel has %d", len(f), want)
	}
	p.note("commas", "has a comma in the channel's name %s", quoted(name))
	return out, nil
}

// number checks a channel's own number: its place counts.
func (p *parser) number(s string, want int) {
	if n, err := strconv.Atoi(strings.TrimLeft(s, "AaDdNn ")); err != nil || n != want {
		p.note("number", "calls itself channel %s, its place makes it %d", quoted(s), want)
	}
}

// optional reads a number for which there is something to fall back on.
func (p *parser) optional(s string, otherwise float64, what string) float64 {
	if s == "" {
		return otherwise
	}
	v, ok := finite(s)
	if !ok {
		p.note("optional", "has %s where %s belongs; %g was taken", quoted(s), what, otherwise)
		return otherwise
	}
	return v
}

func (p *parser) side(s string) Side {
	switch strings.ToUpper(s) {
	case "S":
		return Secondary
	case "P":
		return Primary
	case "":
		return AsWritten
	}
	p.note("side", "has %s where P or S belongs", quoted(s))
	return AsWritten
}

// unit is the unit as the file writes it. The standard demands one, so what
// has none says so in a word.
func unit(s string) string {
	if s == "-" || strings.EqualFold(s, noUnit) {
		return ""
	}
	return s
}

// noUnit stands for a number without a unit.
const noUnit = "NONE"

// to converts the analog channels to a side.
func (c *config) to(side Side, n *notes) {
	if side == AsWritten {
		return
	}
	for i := range c.analog {
		a := &c.analog[i]
		if a.side == side || a.side == AsWritten {
			continue
		}
		if a.primary <= 0 || a.secondary <= 0 {
			n.add("ratio", "%s gives no ratio between the sides of channel %s, which stays on the %s side", c.file, quoted(a.name), a.side)
			continue
		}
		ratio := a.primary / a.secondary
		if side == Secondary {
			ratio = a.secondary / a.primary
		}
		a.a, a.b, a.side = a.a*ratio, a.b*ratio, side
	}
}
