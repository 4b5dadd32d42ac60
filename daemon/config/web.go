package config

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/netip"
	"slices"
	"strings"
	"time"

	"faultkeep/daemon/certificate"
)

// Loopback tells whether only this computer can reach the page.
func (w Web) Loopback() bool {
	host, _, err := net.SplitHostPort(w.Listen)
	if err != nil {
		return true // which is reported by itself
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback() || strings.EqualFold(host, "localhost")
}

// Address is where people find the page: by this computer's first name where
// it listens at all of its addresses.
func (w Web) Address() string {
	host, port, err := net.SplitHostPort(w.Listen)
	if err != nil {
		host, port = "127.0.0.1", "8377" // the listen address is reported by itself
	}
	if ip, err := netip.ParseAddr(host); host == "" || err == nil && ip.IsUnspecified() {
		host = "127.0.0.1"
		if len(w.Names) > 0 {
			host = w.Names[0]
		}
	}
	scheme := "http://"
	if w.TLS != nil {
		scheme = "https://"
	}
	return scheme + net.JoinHostPort(host, port)
}

// Hosts are the names under which the page may be asked for.
func (w Web) Hosts() []string {
	hosts := slices.Clone(w.Names)
	if host, _, err := net.SplitHostPort(w.Listen); err == nil && host != "" {
		if ip, err := netip.ParseAddr(host); err != nil || !ip.IsUnspecified() {
			hosts = append(hosts, host)
		}
	}
	return hosts
}

// Certificate reads or makes the page's certificate; nil without TLS.
func (l *Loaded) Certificate() (*certificate.Certificate, error) {
	switch t := l.Config.Web.TLS; {
	case t == nil:
		return nil, nil
	case t.Make:
		return certificate.Made(l.Config.Data, l.Config.Web.Hosts())
	default:
		return certificate.Own(t.Cert, t.Key)
	}
}

func (c *checker) web() {
	c.listen()
	c.tls()
	// Browsers keep the session's cookie only where TLS protects it.
	if w := c.cfg.Web; w.Loopback() && len(w.Users) > 0 && w.TLS == nil && !c.bad("web.tls") && !c.misspelt("web.tls") {
		c.say("web.users", "add tls: {make: true} below web:, or leave the users out: this page answers this computer only", "logging in needs TLS")
	}
	for i, name := range c.cfg.Web.Names {
		if at := fmt.Sprintf("web.names[%d]", i); !c.bad(at) && !isHost(name) {
			c.say(at, "write it as in edge-pc.example, without a port", "%q is not the name of a computer", name)
		}
	}
	var names []string
	for i, u := range c.cfg.Web.Users {
		at := fmt.Sprintf("web.users[%d].", i)
		u.Check(func(key, text, hint string) {
			switch {
			case c.bad(at + key):
			case text == "is missing":
				c.missing(at+key, hint)
			default:
				c.say(at+key, hint, "%s", text)
			}
		})
		if u.Name != "" && slices.Contains(names, u.Name) {
			c.say(at+"name", "give each user a name of its own", "%q is the name of another user", u.Name)
		}
		names = append(names, u.Name)
	}
}

// listen lets the page be open to other computers only behind TLS and a login.
func (c *checker) listen() {
	w := c.cfg.Web
	if w.Listen == "" || c.bad("web.listen") {
		return
	}
	host, port, err := net.SplitHostPort(w.Listen)
	_, noIP := netip.ParseAddr(host)
	if err != nil || !isPort(port, 0) || host != "" && noIP != nil && !isHost(host) {
		c.say("web.listen", "write an address of this computer and a port, as in "+DefaultListen, "%q is not an address with a port", w.Listen)
		return
	}
	if w.Loopback() {
		return
	}
	if w.TLS == nil && !c.bad("web.tls") && !c.misspelt("web.tls") {
		c.say("web.listen", "add tls: {make: true} below web:, or use 127.0.0.1:"+port,
			"%s can be reached by other computers, which would send passwords and read pages in clear text", w.Listen)
	}
	if len(w.Users) == 0 && !c.bad("web.users") && !c.misspelt("web.users") {
		c.say("web.listen", "add users: below web:, with hashes from `faultkeep password`, or use 127.0.0.1:"+port,
			"%s can be reached by other computers, and nobody would have to log in", w.Listen)
	}
}

func (c *checker) tls() {
	t := c.cfg.Web.TLS
	if c.bad("web.tls") {
		return
	}
	switch {
	case t == nil:
	case t.Make && (t.Cert != "" || t.Key != ""):
		c.say("web.tls", "take one of the two away", "has make: true and files of your own")
	case t.Make:
	case t.Cert == "" && t.Key == "":
		c.say("web.tls", "write make: true, or name the files cert: and key:", "names no certificate")
	case t.Cert == "":
		c.missing("web.tls.cert", "name the PEM file of the certificate")
	case t.Key == "":
		c.missing("web.tls.key", "name the PEM file of the certificate's key")
	default:
		t.Cert, t.Key = c.files.path(t.Cert), c.files.path(t.Key)
		if _, err := certificate.Own(t.Cert, t.Key); err != nil {
			var file *fs.PathError
			if errors.As(err, &file) {
				err = fmt.Errorf("%s can't be read: %s", file.Path, cause(err))
			}
			c.say("web.tls", "name a certificate and its key, each in PEM", "%s", err)
		}
	}
}

// page says who can reach the page, and how it can be known.
func (l *Loaded) page() []string {
	w := l.Config.Web
	said := "The page is at " + w.Address()
	if w.Loopback() {
		said += " and can be reached from this computer only."
	} else {
		said += " and can be reached from other computers."
	}
	out := []string{said}
	if w.TLS != nil {
		out = append(out, l.shown())
	}
	if len(w.Users) > 0 {
		var who []string
		for _, u := range w.Users {
			who = append(who, fmt.Sprintf("%s (%s)", u.Name, u.Role))
		}
		out = append(out, "Who may log in: "+strings.Join(who, ", ")+".")
	}
	return out
}

// shown is the certificate in words. Nothing is made only to be told.
func (l *Loaded) shown() string {
	what, fingerprint, ends := "made by faultkeep", "", time.Time{}
	var err error
	if t := l.Config.Web.TLS; t.Make {
		fingerprint, ends, err = certificate.Shown(l.Config.Data)
		if errors.Is(err, fs.ErrNotExist) {
			return "Its certificate is made at the first start, which tells its fingerprint."
		}
	} else {
		var own *certificate.Certificate
		if own, err = certificate.Own(t.Cert, t.Key); err == nil {
			what, fingerprint, ends = "of "+t.Cert, own.Fingerprint(), own.Ends()
		}
	}
	switch {
	case err != nil:
		return "Its certificate can't be read by this account: " + cause(err) + "."
	case time.Until(ends) < 0:
		what += ", ended on " + day(ends) + ", so that browsers refuse it"
	default:
		what += ", lasts until " + day(ends)
	}
	return "Its certificate, " + what + ". SHA-256 fingerprint: " + fingerprint
}

func day(t time.Time) string { return t.Format("2 Jan 2006") }
