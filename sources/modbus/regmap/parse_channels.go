package regmap

import (
	"fmt"

	"faultkeep/configs/strict"
	"faultkeep/store/capture"
)

func (c *checker) channels() {
	if n := len(c.in.Channels); n == 0 && c.doc.Has("channels") && c.doc.Clean("channels") {
		c.report("channels", "is an empty list", "list the recording's channels")
	} else if n > maxChannels {
		c.report("channels", fmt.Sprintf("has %d entries; the most is %d", n, maxChannels), "")
		return
	}
	selects := false
	names := map[string]int{}
	for i, in := range c.in.Channels {
		path := fmt.Sprintf("channels[%d]", i)
		if in.Select != nil {
			selects = true
			c.selected(path, in)
			continue
		}
		channel, coding := c.signal(path, in.fileSignal)
		if before, again := names[channel.Name]; again && channel.Name != "" {
			c.report(path+".name", fmt.Sprintf("is %q, as that of channels[%d]", channel.Name, before), "give each its own name")
		}
		names[channel.Name] = i
		c.m.Channels = append(c.m.Channels, Channel{Channel: channel, Coding: coding})
	}
	if len(c.in.Signals) > 0 {
		c.m.Signals = map[int64]Signal{}
	}
	for _, number := range sortedKeys(c.in.Signals) {
		channel, coding := c.signal(fmt.Sprintf("signals.%d", number), c.in.Signals[number])
		c.m.Signals[number] = Signal{channel, coding}
	}
	switch {
	case selects && len(c.in.Signals) == 0 && c.doc.Clean("signals"):
		c.report("channels", "has a select, but there is no signals table to look its number up in", "add signals: {3: {name: …}}")
	case !selects && len(c.in.Signals) > 0 && c.doc.Clean("channels"):
		c.report("signals", "is not used: no channel has a select", "give channels a select, or leave signals out")
	}
	c.fits()
}

// selected reads a channel whose signal is looked up.
func (c *checker) selected(path string, in fileChannel) {
	v := c.place(path+".select", in.Select, fmt.Sprintf("signal of channel %d", len(c.m.Channels)+1))
	for _, key := range []string{"name", "unit", "role", "bits", "type", "words", "scale", "offset"} {
		if c.doc.Has(path + "." + key) {
			c.report(path+"."+key, "stands beside select, which takes it from signals", "leave it out")
		}
	}
	if v != nil && float(v.Type) {
		c.report(path+".select.type", fmt.Sprintf("is %s; a signal number is a whole number", v.Type), "")
	}
	c.m.Channels = append(c.m.Channels, Channel{Select: v})
}

// signal reads what a channel records.
func (c *checker) signal(path string, in fileSignal) (capture.Channel, capture.Coding) {
	channel := capture.Channel{Name: in.Name, Unit: in.Unit, Role: capture.Role(in.Role), Bits: in.Bits}
	coding := capture.Coding{Type: c.typed(path, in.Type, c.m.Data.Type), Scale: 1, Offset: in.Offset, LowFirst: c.m.Data.LowFirst}
	if in.Name == "" && c.doc.Clean(path) {
		c.report(path+".name", "is missing", "")
	}
	roles := make([]string, len(capture.Roles))
	for i, r := range capture.Roles {
		roles[i] = string(r)
	}
	switch {
	case in.Role == "" && len(in.Bits) > 0:
		channel.Role = capture.RoleDigital
	case in.Role == "":
		channel.Role = capture.RoleOther
	case !contains(roles, in.Role):
		c.report(path+".role", fmt.Sprintf("is %q, which is not a role", in.Role), strict.Choice(in.Role, roles))
	}
	if in.Words != "" {
		coding.LowFirst = c.lowFirst(path, in.Words, coding.Type.Words() > 1)
	}
	if coding.Type.Words() == 1 {
		coding.LowFirst = false
	}
	if in.Scale != nil {
		coding.Scale = *in.Scale
		if coding.Scale == 0 {
			c.report(path+".scale", "is 0, so every sample would come out the same", "")
		}
	}
	switch digital := channel.Role == capture.RoleDigital; {
	case len(in.Bits) > 0 && !digital && contains(roles, in.Role):
		c.report(path+".bits", fmt.Sprintf("is given for role %s", in.Role), "write role: digital, or leave bits out")
	case digital && float(coding.Type):
		c.report(path+".type", fmt.Sprintf("is %s, which is not made of single bits", coding.Type), "give it a whole type")
	case len(in.Bits) > width(coding.Type):
		c.report(path+".bits", fmt.Sprintf("names %d bits; %s has %d", len(in.Bits), coding.Type, width(coding.Type)), "")
	case digital && (coding.Scale != 1 || coding.Offset != 0):
		c.report(path, "scales a digital word", "leave out scale and offset")
	}
	return channel, coding
}

// fits checks that data whose size the map fixes is where it can be read.
func (c *checker) fits() {
	samples := c.m.Header.Fixed.Samples
	if samples <= 0 || len(c.problems) > 0 {
		return
	}
	enc := capture.Encoding{Order: c.m.Data.Order, Samples: samples}
	for _, ch := range c.m.Channels {
		if ch.Select != nil {
			return // sizes are known once the header is read
		}
		enc.Channels = append(enc.Channels, ch.Coding)
	}
	if err := c.m.room(enc); err != nil {
		c.report("data", err.Error(), "check header.samples, data.stride and the first address")
	}
}
