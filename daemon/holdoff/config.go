package holdoff

import (
	"net"
	"net/netip"
	"slices"
	"strconv"
)

// Config says where the PLC finds the hold-off.
type Config struct {
	Listen string   `yaml:"listen"` // host:port
	Unit   *uint8   `yaml:"unit"`   // Modbus unit identifier that is answered; nil: any
	Allow  []string `yaml:"allow"`  // addresses or networks of clients that are answered; empty: any
	Drives []string `yaml:"drives"` // names, in the order of the table; empty: all, in the order of the config
}

// networks are the clients that are answered.
func (c Config) networks() (out []netip.Prefix, bad int) {
	for i, text := range c.Allow {
		p, err := netip.ParsePrefix(text)
		if err != nil {
			a, aerr := netip.ParseAddr(text)
			if aerr != nil {
				return nil, i
			}
			p = netip.PrefixFrom(a, a.BitLen())
		}
		out = append(out, p.Masked())
	}
	return out, -1
}

// Check says what is wrong, key by key; drives are the names that there are.
func (c Config) Check(drives []string, say func(key, text, hint string)) {
	host, port, err := net.SplitHostPort(c.Listen)
	n, perr := strconv.ParseUint(port, 10, 16)
	switch {
	case c.Listen == "":
		say("listen", "is missing", "write host and port, as in 0.0.0.0:1502")
	case err != nil || perr != nil || n == 0:
		say("listen", "is not a host and a port between 1 and 65535", "write it as in 0.0.0.0:1502")
	case host != "" && host != "localhost":
		if _, err := netip.ParseAddr(host); err != nil {
			say("listen", "has a host that is no IP address", "write an address of this computer, or 0.0.0.0 for all of them")
		}
	}
	if _, bad := c.networks(); bad >= 0 {
		say("allow["+strconv.Itoa(bad)+"]", strconv.Quote(c.Allow[bad])+" is neither an address nor a network", "write it as in 192.0.2.5 or 192.0.2.0/24")
	}
	for i, name := range c.Drives {
		key := "drives[" + strconv.Itoa(i) + "]"
		switch {
		case !slices.Contains(drives, name):
			say(key, "no drive is called "+strconv.Quote(name), "name a drive of this file")
		case slices.Contains(c.Drives[:i], name):
			say(key, strconv.Quote(name)+" stands there twice", "name each drive once")
		}
	}
	if len(c.Order(drives)) > MostDrives {
		say("drives", "more drives than the table has room for", "name at most "+strconv.Itoa(MostDrives))
	}
}

// Order are the drives of the table, in order, of all that there are.
func (c Config) Order(all []string) []string {
	if len(c.Drives) > 0 {
		return c.Drives
	}
	return all
}
