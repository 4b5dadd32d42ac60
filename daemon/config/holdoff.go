package config

import (
	"fmt"
	"net"

	"faultkeep/daemon/holdoff"
)

// holdoff checks what a PLC asks for.
func (c *checker) holdoff() {
	h := c.cfg.Holdoff
	if h == nil {
		if c.doc.Has("holdoff") {
			c.missing("holdoff.listen", "say where the PLC asks, as in 0.0.0.0:1502; or leave holdoff out")
		}
		return
	}
	drives := make([]string, 0, len(c.cfg.Drives))
	for _, d := range c.cfg.Drives {
		drives = append(drives, d.Name)
	}
	h.Check(drives, func(key, text, hint string) {
		if path := "holdoff." + key; !c.bad(path) {
			c.say(path, hint, "%s", text)
		}
	})
	if _, port, err := net.SplitHostPort(h.Listen); err == nil {
		if _, page, err := net.SplitHostPort(c.cfg.Web.Listen); err == nil && port == page && !c.bad("holdoff.listen") {
			c.say("holdoff.listen", "give it another port", "has the port of the page, web.listen")
		}
	}
}

// HoldoffRows are the blocks of the hold-off's table; none where there is no hold-off.
func (l *Loaded) HoldoffRows() []holdoff.Row {
	if l.Config.Holdoff == nil {
		return nil
	}
	var all []string
	titles := map[string]string{}
	for _, d := range l.Drives {
		all = append(all, d.Config.Name)
		titles[d.Config.Name] = d.Config.Title
	}
	names := l.Config.Holdoff.Order(all)
	said := make([]string, len(names))
	for i, n := range names {
		said[i] = titles[n]
	}
	return holdoff.Rows(names, said)
}

func (l *Loaded) holdoffSentence() string {
	rows := l.HoldoffRows()
	return fmt.Sprintf("A PLC can ask at %s whether recordings are kept, by reading only: %s, from address %d on.", l.Config.Holdoff.Listen, count(len(rows), "drive"), holdoff.First(0))
}
