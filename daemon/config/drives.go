package config

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/sources/modbus"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

func (c *checker) drives() {
	drives := c.cfg.Drives
	if len(drives) == 0 {
		if !c.bad("drives") && !c.misspelt("drives") && !c.doc.Has("folders") {
			c.say("drives", "add one with name, address and map, or a folder under folders:", "there is no drive to watch")
		}
		return
	}
	c.names()
	for i := range drives {
		d := &drives[i]
		at := fmt.Sprintf("drives[%d]", i)
		if !plain(d.Title) {
			c.say(at+".title", "write a name on one line", "holds a line end or another control character")
		}
		c.address(at+".address", d)
		if !c.bad(at + ".poll") {
			c.poll(at+".poll", d.Poll)
		}
		c.between(at+".timeout", d.Timeout, 20*time.Millisecond, time.Minute)
		c.between(at+".reset_after", d.ResetAfter, time.Millisecond, 24*time.Hour)
		drive := Drive{Map: c.driveMap(at, *d)}
		for j, name := range d.Faults {
			table, text, hint := c.files.tableFile(name)
			if text != "" {
				c.say(fmt.Sprintf("%s.faults[%d]", at, j), hint, "%s", text)
			} else if table != nil {
				drive.Faults = append(drive.Faults, table)
			}
		}
		drive.Config = *d
		c.loaded.Drives = append(c.loaded.Drives, drive)
	}
	c.shared()
}

// longestName of a drive or sink, in bytes: it stands in keys of the store.
const longestName = 60

// names checks that every drive has one that can stand in an ID, in an address
// of the page and in a rule, and that no two can be taken for each other.
func (c *checker) names() {
	seen := make(map[string]int)  // by name
	slugs := make(map[string]int) // by the name as it stands in IDs
	for i, d := range c.cfg.Drives {
		at := fmt.Sprintf("drives[%d].name", i)
		if c.bad(at) || !c.named(at, d.Name, "give a short one, such as belt-3") {
			continue
		}
		slug := capture.Slug(d.Name)
		if first, ok := seen[d.Name]; ok {
			c.say(at, "give each drive a name of its own", "%q is the name of the drive %s already", d.Name, c.where(first))
		} else if first, ok := slugs[slug]; ok {
			c.say(at, "choose a name that differs in letters a–z or digits", "%q can't be told from %q %s in the IDs of captures, where both are %s",
				d.Name, c.cfg.Drives[first].Name, c.where(first), slug)
		} else {
			seen[d.Name], slugs[slug] = i, i
		}
	}
}

// named checks one name; it is false where there is none.
func (c *checker) named(at, name, missing string) bool {
	switch {
	case name == "":
		c.missing(at, missing)
		return false
	case !plain(name) || name != strings.TrimSpace(name):
		c.say(at, "write letters, digits and hyphens", "%q begins or ends with a space, or holds a control character", name)
	case strings.ContainsAny(name, `*?[]\/`):
		c.say(at, "write letters, digits and hyphens", `%q holds one of * ? [ ] \ /, which mean something in rules and addresses`, name)
	case len(name) > longestName:
		c.say(at, "keep the name short and put the long form into title", "has more than %d characters", longestName)
	}
	return true
}

// where says on which line a drive is, for problems that concern two.
func (c *checker) where(i int) string {
	line := c.doc.Problem(fmt.Sprintf("drives[%d]", i), "", "").Line
	if line == 0 {
		return fmt.Sprintf("number %d", i+1)
	}
	return fmt.Sprintf("in line %d", line)
}

// address checks host:port and writes it in one form, port 502 filled in.
func (c *checker) address(at string, d *modbus.Config) {
	if c.bad(at) {
		return
	}
	if d.Address == "" {
		c.missing(at, "give the drive's address, as in 192.0.2.11:502")
		return
	}
	full, text, hint := Address(d.Address)
	if text != "" {
		c.say(at, hint, "%q %s", d.Address, text)
		return
	}
	d.Address = full
}

// Address is a drive's address in one form: host:port, IPv6 in brackets. Where
// it can't be one, text says what is wrong and hint what to do.
func Address(address string) (full, text, hint string) {
	const usual = "write it as 192.0.2.11:502 or drive-11.example:502"
	host, port := address, "502"
	switch {
	case strings.Contains(address, "://"):
		return "", "is not host:port", "leave out what stands before ://"
	case strings.HasPrefix(address, "["):
		inside, rest, ok := strings.Cut(address[1:], "]")
		if !ok || rest != "" && rest[0] != ':' {
			return "", "is not host:port", "write an IPv6 address as [2001:db8::11]:502"
		}
		if host = inside; rest != "" {
			port = rest[1:]
		}
		if ip, err := netip.ParseAddr(host); err != nil || !ip.Is6() {
			return "", "has no IPv6 address in its brackets", "write it as [2001:db8::11]:502"
		}
	case strings.Count(address, ":") > 1:
		return "", "could be read in two ways", "write an IPv6 address in brackets, as in [2001:db8::11]:502"
	case strings.Contains(address, ":"):
		host, port, _ = strings.Cut(address, ":")
	}
	if !isPort(port, 1) {
		return "", "has no port between 1 and 65535", usual
	}
	port = strings.TrimLeft(port, "0")
	ip, err := netip.ParseAddr(host)
	switch {
	case err == nil && (ip.IsUnspecified() || ip.IsMulticast() || ip == netip.AddrFrom4([4]byte{255, 255, 255, 255})):
		return "", "is no address of a single drive", usual
	case err == nil:
		host = ip.String()
	case strings.Trim(host, "0123456789.") == "":
		return "", "is not an IPv4 address", "write four numbers between 0 and 255, as in 192.0.2.11:502"
	case !isHost(host):
		return "", "is not host:port", usual
	default:
		host = strings.ToLower(host)
	}
	return net.JoinHostPort(host, port), "", ""
}

// isHost tells whether s can be the name of a computer.
func isHost(s string) bool {
	if len(s) > 253 {
		return false
	}
	for label := range strings.SplitSeq(strings.TrimSuffix(s, "."), ".") {
		if label == "" || len(label) > 63 || strings.HasPrefix(label, "-") || strings.HasSuffix(label, "-") {
			return false
		}
		for _, r := range label {
			if !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_') {
				return false
			}
		}
	}
	return true
}

func (c *checker) between(at string, d strict.Duration, low, high time.Duration) {
	if c.doc.Has(at) && !c.bad(at) && (d.Std() < low || d.Std() > high) {
		c.say(at, "", "%s is not between %s and %s", d, strict.Duration(low), strict.Duration(high))
	}
}

// kinds of writes that can be allowed.
var kinds = []string{"page", "arm", "settings"}

// driveMap reads the drive's map and checks what the config says against it.
func (c *checker) driveMap(at string, d modbus.Config) *regmap.Map {
	for j, kind := range d.Allow {
		path := fmt.Sprintf("%s.allow[%d]", at, j)
		if slices.Contains(d.Allow[:j], kind) {
			c.say(path, "write it once", "%s is listed twice", kind)
		} else if !slices.Contains(kinds, kind) {
			c.say(path, meant(kind, kinds), "%q is not a kind of write", kind)
		}
	}
	if d.Connections < 0 || d.Connections == 0 && c.doc.Has(at+".connections") && !c.bad(at+".connections") {
		c.say(at+".connections", "leave it out for what the map says", "must be at least 1")
	}
	if c.bad(at + ".map") {
		return nil
	}
	if d.Map == "" {
		c.missing(at+".map", "name the file that says where this drive shows its recording, or "+builtin+"NAME")
		return nil
	}
	m, text, hint := c.files.mapFile(d.Map)
	if text != "" {
		c.say(at+".map", hint, "%s", text)
	}
	if m == nil {
		return nil
	}
	if m.Data.Layout == regmap.Window && !d.Allows("page") {
		c.say(at, "add allow: [page], which lets faultkeep write that one register",
			"the map %s shows its recording page by page, for which a page number must be written", m.Name)
	}
	if m.Arm == nil && d.Allows("arm") {
		c.say(fmt.Sprintf("%s.allow[%d]", at, slices.Index(d.Allow, "arm")), "leave it out, or add arm: to the map",
			"the map %s doesn't say how the recorder is armed", m.Name)
	}
	if i := slices.Index(d.Allow, "settings"); i >= 0 {
		path := fmt.Sprintf("%s.allow[%d]", at, i)
		switch {
		case len(m.Settings) == 0:
			c.say(path, "leave it out, or add settings: to the map", "the map %s names no settings to write", m.Name)
		case !d.Allows("arm"):
			c.say(path, "write allow: [arm, settings], or leave it out", "settings are written as part of arming, which isn't allowed")
		}
	}
	if most := max(1, m.Limits.Connections); d.Connections > most {
		c.say(at+".connections", "", "the map %s allows at most %d", m.Name, most)
	}
	return m
}

// shared checks drives behind one address: each needs a unit of its own, and
// all must agree on how many connections the address takes.
func (c *checker) shared() {
	type place struct {
		address string
		unit    uint8
	}
	units := make(map[place]int)
	first := make(map[string]int)
	for i, d := range c.loaded.Drives {
		at := fmt.Sprintf("drives[%d]", i)
		if d.Config.Address == "" || c.bad(at+".address") {
			continue
		}
		if c.bad(at + ".unit") {
			continue
		}
		p := place{d.Config.Address, d.Config.UnitID()}
		if j, ok := units[p]; ok {
			c.say(at+".address", "watch each drive once; drives behind a gateway differ in unit",
				"%s unit %d is the drive %s already", p.address, p.unit, c.where(j))
			continue
		}
		units[p] = i
		if d.Map == nil || c.bad(at+".connections") {
			continue
		}
		j, ok := first[p.address]
		if !ok {
			first[p.address] = i
			continue
		}
		if a, b := c.loaded.Drives[j].Connections(), d.Connections(); a != b {
			c.say(at+".connections", "write the same number at every drive behind one address",
				"%d to %s, but %d at the drive %s", b, p.address, a, c.where(j))
		}
	}
}
