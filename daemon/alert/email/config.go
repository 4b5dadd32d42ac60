package email

import (
	"encoding/json"
	"net"
	"net/mail"
	"strconv"
	"strings"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/daemon/alert"
)

// Config of mail. The password is read from a file or an environment variable
// at every send, so that it can be changed without a restart.
type Config struct {
	Server       string          `yaml:"server"`        // host, or host:port; port 587 with starttls, 465 with tls, 25 with none where left out
	Security     string          `yaml:"security"`      // starttls, tls or none; starttls where left out
	From         string          `yaml:"from"`          // sender's address, with or without a name
	To           []string        `yaml:"to"`            // recipients' addresses
	User         string          `yaml:"user"`          // to log in with; no login where left out
	PasswordFile string          `yaml:"password_file"` // file that holds its password
	PasswordEnv  string          `yaml:"password_env"`  // or the environment variable that does
	CAFile       string          `yaml:"ca_file"`       // certificates that sign the server's; the system's where left out
	Timeout      strict.Duration `yaml:"timeout"`       // for one message; 20 s where left out
}

const (
	usual   = 20 * time.Second
	longest = 25 * time.Second // below the dispatcher's own limit, so that ours is the error told
)

// ports by RFC 6409 3.1, RFC 8314 7.3 and RFC 5321.
var ports = map[string]string{"starttls": "587", "tls": "465", "none": "25"}

func (c Config) security() string {
	if c.Security == "" {
		return "starttls"
	}
	return c.Security
}

func (c Config) timeout() time.Duration {
	if c.Timeout == 0 {
		return usual
	}
	return c.Timeout.Std()
}

func (c Config) password() alert.Secret {
	return alert.Secret{File: c.PasswordFile, Env: c.PasswordEnv}
}

// split is the server in its parts, with the usual port.
func (c Config) split() (host, port string, err error) {
	return alert.SplitServer(c.Server, ports[c.security()])
}

// Place is where mail goes, as people read it.
func (c Config) Place() string {
	how := map[string]string{"starttls": "with STARTTLS", "tls": "over TLS", "none": "in the clear"}[c.security()]
	host, port, err := c.split()
	if err != nil {
		return c.Server
	}
	return net.JoinHostPort(host, port) + " " + how
}

// String shows no password: there is none in a Config.
func (c Config) String() string { return "mail to " + strings.Join(c.To, ", ") + " by " + c.Place() }

// MarshalJSON leaves out where the password is.
func (c Config) MarshalJSON() ([]byte, error) {
	return json.Marshal(map[string]any{"server": c.Place(), "from": c.From, "to": c.To, "user": c.User, "timeout": c.timeout().String()})
}

// Check calls say for everything that is wrong: the key, what is wrong with
// it, and what to do. It reads the password but connects to nobody.
func (c Config) Check(say func(key, text, hint string)) {
	host, port, err := c.split()
	n, bad := strconv.ParseUint(port, 10, 16)
	switch {
	case c.Server == "":
		say("server", "is missing", "give the mail server's host, or host:port")
	case err != nil || host == "" || strings.ContainsAny(host, "/ @"):
		say("server", "is not a host or host:port", "write it as in mail.northquay.example:587")
	case ports[c.security()] != "" && (bad != nil || n == 0):
		say("server", "has a port that is not between 1 and 65535", "leave it out for "+ports[c.security()])
	}
	if ports[c.security()] == "" {
		say("security", strconv.Quote(c.Security)+" is not known", "write starttls, tls or none")
	}
	address := func(key, value string) {
		if _, why := parse(value); why != "" {
			say(key, strconv.Quote(value)+" "+why, "write it as in shift@northquay.example")
		}
	}
	if c.From == "" {
		say("from", "is missing", "give the address that mail comes from, as in faultkeep@northquay.example")
	} else {
		address("from", c.From)
	}
	if len(c.To) == 0 {
		say("to", "is missing", "give the recipients' addresses")
	}
	for i, to := range c.To {
		address("to["+strconv.Itoa(i)+"]", to)
	}
	c.checkLogin(say, host)
	switch {
	case c.CAFile == "":
	case c.security() == "none":
		say("ca_file", "is given with security: none", "leave it out, or use starttls or tls")
	default:
		if _, err := alert.Roots(c.CAFile); err != nil {
			say("ca_file", "can't be used: "+err.Error(), "name a file of certificates in PEM")
		}
	}
	if c.Timeout != 0 && (c.Timeout.Std() < 100*time.Millisecond || c.Timeout.Std() > longest) {
		say("timeout", c.Timeout.String()+" is not between 100ms and "+longest.String(), "leave it out for "+usual.String())
	}
}

func (c Config) checkLogin(say func(key, text, hint string), host string) {
	secret := c.password()
	switch {
	case c.User == "" && !secret.Set():
		return
	case c.User == "":
		say("user", "is missing beside the password", "give the name to log in with")
	case !secret.Set():
		say("user", "has no password", "add password_file or password_env")
	case strings.ContainsFunc(c.User, func(r rune) bool { return r < ' ' || r == 0x7f }):
		say("user", "holds a control character", "write it on one line")
	}
	if c.security() == "none" && !alert.Loopback(host) {
		say("security", "would send the password in the clear", "use starttls or tls, or a server on this computer")
	}
	secret.CheckPassword(say)
}

// parse reads one address; why says what is wrong with it.
func parse(s string) (a *mail.Address, why string) {
	a, err := mail.ParseAddress(s)
	switch {
	case err != nil:
		return nil, "is not an address for mail"
	case strings.ContainsFunc(a.Address, func(r rune) bool { return r <= ' ' || r > '~' || r == '<' || r == '>' }):
		return nil, "has an address that not every mail server can carry"
	}
	return a, ""
}
