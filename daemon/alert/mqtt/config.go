package mqtt

import (
	"cmp"
	"encoding/json"
	"net"
	"strconv"
	"strings"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/daemon/alert"
)

// Config of an MQTT broker. The password is read from a file or an environment
// variable at every connection, so that it can be changed without a restart.
type Config struct {
	Server       string          `yaml:"server"`        // host, or host:port; port 8883 with tls, 1883 with none where left out
	Security     string          `yaml:"security"`      // tls or none; tls where left out
	Prefix       string          `yaml:"prefix"`        // of all topics; faultkeep where left out
	ClientID     string          `yaml:"client_id"`     // under which the broker knows this faultkeep; the broker chooses one where left out
	User         string          `yaml:"user"`          // to log in with; no login where left out
	PasswordFile string          `yaml:"password_file"` // file that holds its password
	PasswordEnv  string          `yaml:"password_env"`  // or the environment variable that does
	CAFile       string          `yaml:"ca_file"`       // with tls: certificates that sign the broker's; the system's where left out
	Timeout      strict.Duration `yaml:"timeout"`       // for one alert; 10 s where left out
}

const (
	usual   = 10 * time.Second
	longest = 25 * time.Second // below the dispatcher's own limit, so that ours is the error told
)

// ports as registered with IANA for MQTT.
var ports = map[string]string{"tls": "8883", "none": "1883"}

func (c Config) security() string { return cmp.Or(c.Security, "tls") }

func (c Config) prefix() string { return cmp.Or(c.Prefix, "faultkeep") }

func (c Config) timeout() time.Duration { return cmp.Or(c.Timeout.Std(), usual) }

func (c Config) password() alert.Secret {
	return alert.Secret{File: c.PasswordFile, Env: c.PasswordEnv}
}

// split is the server in its parts, with the usual port.
func (c Config) split() (host, port string, err error) {
	return alert.SplitServer(c.Server, ports[c.security()])
}

// Place is where alerts go, as people read it.
func (c Config) Place() string {
	host, port, err := c.split()
	if err != nil {
		return c.Server
	}
	how := " over TLS"
	if c.security() == "none" {
		how = " in the clear"
	}
	return net.JoinHostPort(host, port) + how
}

// String shows no password: there is none in a Config.
func (c Config) String() string { return "MQTT to " + c.Place() }

// MarshalJSON leaves out where the password is.
func (c Config) MarshalJSON() ([]byte, error) {
	return json.Marshal(map[string]any{"server": c.Place(), "prefix": c.prefix(), "client_id": c.ClientID, "user": c.User, "timeout": c.timeout().String()})
}

// Check calls say for everything that is wrong: the key, what is wrong with
// it, and what to do. It reads the password but connects to nobody.
func (c Config) Check(say func(key, text, hint string)) {
	host, port, err := c.split()
	n, bad := strconv.ParseUint(port, 10, 16)
	switch {
	case c.Server == "":
		say("server", "is missing", "give the broker's host, or host:port")
	case err != nil || host == "" || strings.ContainsAny(host, "/ @"):
		say("server", "is not a host or host:port", "write it as in broker.northquay.example:8883")
	case ports[c.security()] != "" && (bad != nil || n == 0):
		say("server", "has a port that is not between 1 and 65535", "leave it out for "+ports[c.security()])
	}
	if ports[c.security()] == "" {
		say("security", strconv.Quote(c.Security)+" is not known", "write tls or none")
	}
	if p := c.prefix(); topic(p) != strings.ReplaceAll(p, "/", "-") || strings.HasPrefix(p, "/") || strings.HasSuffix(p, "/") || strings.HasPrefix(p, "$") || len(p) > 200 {
		say("prefix", strconv.Quote(p)+" can't begin a topic", "write it as in northquay/faultkeep, without + # and $")
	}
	if c.ClientID != "" && (topic(c.ClientID) != strings.ReplaceAll(c.ClientID, "/", "-") || len(c.ClientID) > 100) {
		say("client_id", "holds what not every broker takes", "write letters, digits and hyphens")
	}
	secret := c.password()
	if c.User == "" && secret.Set() {
		say("user", "is missing beside the password", "give the name to log in with")
	}
	if secret.Set() && c.security() == "none" && !alert.Loopback(host) {
		say("security", "would send the password in the clear", "use tls, or a broker on this computer")
	}
	secret.CheckPassword(say)
	switch {
	case c.CAFile == "":
	case c.security() == "none":
		say("ca_file", "is given with security: none", "leave it out, or use tls")
	default:
		if _, err := alert.Roots(c.CAFile); err != nil {
			say("ca_file", "can't be used: "+err.Error(), "name a file of certificates in PEM")
		}
	}
	if c.Timeout != 0 && (c.Timeout.Std() < 100*time.Millisecond || c.Timeout.Std() > longest) {
		say("timeout", c.Timeout.String()+" is not between 100ms and "+longest.String(), "leave it out for "+usual.String())
	}
}

// topic is one level of a topic (MQTT 5.0, 4.7).
func topic(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == '/' || r == '+' || r == '#' || r == '\ufffd' {
			return '-'
		}
		return r
	}, s)
}
