package syslog

import (
	"crypto/tls"
	"maps"
	"net"
	"slices"
	"strconv"
	"strings"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// Config of a syslog receiver.
type Config struct {
	Address    string            `yaml:"address"`    // host, or host:port; port 514 with udp, 601 with tcp, 6514 with tls where left out
	Network    string            `yaml:"network"`    // udp, tcp or tls; udp where left out
	Facility   string            `yaml:"facility"`   // by its usual name; local0 where left out
	Severities map[string]string `yaml:"severities"` // of ours, which of syslog's; alarm: err, warning: warning, info: info where left out
	CAFile     string            `yaml:"ca_file"`    // with tls: certificates that sign the receiver's; the system's where left out
	Timeout    strict.Duration   `yaml:"timeout"`    // for one alert; 10 s where left out
}

const (
	usual   = 10 * time.Second
	longest = 25 * time.Second // below the dispatcher's own limit, so that ours is the error told
)

// ports by RFC 5426 3.3, RFC 3195 9.2 (which registered 601 for syslog over
// TCP) and RFC 5425 4.1.
var ports = map[string]string{"udp": "514", "tcp": "601", "tls": "6514"}

// facilities are the codes of RFC 5424, table 1, by the short names that
// syslog.h has had for them.
var facilities = map[string]int{"kern": 0, "user": 1, "mail": 2, "daemon": 3, "auth": 4, "syslog": 5, "lpr": 6, "news": 7, "uucp": 8,
	"cron": 9, "authpriv": 10, "ftp": 11, "local0": 16, "local1": 17, "local2": 18, "local3": 19, "local4": 20, "local5": 21, "local6": 22, "local7": 23}

// levels are the severities of RFC 5424, table 2, from the gravest.
var levels = []string{"emerg", "alert", "crit", "err", "warning", "notice", "info", "debug"}

var usualLevels = map[capture.Severity]string{capture.Alarm: "err", capture.Warning: "warning", capture.Info: "info"}

func (c Config) network() string {
	if c.Network == "" {
		return "udp"
	}
	return c.Network
}

func (c Config) timeout() time.Duration {
	if c.Timeout == 0 {
		return usual
	}
	return c.Timeout.Std()
}

// split is the address in its parts, with the network's usual port.
func (c Config) split() (host, port string, err error) {
	return alert.SplitServer(c.Address, ports[c.network()])
}

// Place is where alerts go, as people read it.
func (c Config) Place() string {
	host, port, err := c.split()
	if err != nil {
		return c.Address
	}
	return net.JoinHostPort(host, port) + " over " + strings.ToUpper(c.network())
}

// priority is the number at the head of a message (RFC 5424, 6.2.1).
func (c Config) priority(s capture.Severity) int {
	facility := facilities["local0"]
	if f, ok := facilities[c.Facility]; ok {
		facility = f
	}
	if !slices.Contains(capture.Severities, s) {
		s = capture.Alarm // so that it is told
	}
	level := usualLevels[s]
	if given, ok := c.Severities[string(s)]; ok {
		level = given
	}
	return 8*facility + max(0, slices.Index(levels, level))
}

func (c Config) tls() (*tls.Config, error) {
	host, _, _ := c.split()
	return alert.TLS(host, c.CAFile)
}

// Check calls say for everything that is wrong: the key, what is wrong with
// it, and what to do. It connects to nobody.
func (c Config) Check(say func(key, text, hint string)) {
	host, port, err := c.split()
	n, bad := strconv.ParseUint(port, 10, 16)
	switch {
	case c.Address == "":
		say("address", "is missing", "give the receiver's host, or host:port")
	case err != nil || host == "" || strings.ContainsAny(host, "/ @"):
		say("address", "is not a host or host:port", "write it as in logs.northquay.example:514")
	case ports[c.network()] != "" && (bad != nil || n == 0):
		say("address", "has a port that is not between 1 and 65535", "leave it out for "+ports[c.network()])
	}
	if ports[c.network()] == "" {
		say("network", strconv.Quote(c.Network)+" is not known", "write udp, tcp or tls")
	}
	if _, ok := facilities[c.Facility]; !ok && c.Facility != "" {
		say("facility", strconv.Quote(c.Facility)+" is not known", "known here: "+strings.Join(slices.Sorted(maps.Keys(facilities)), ", "))
	}
	for _, ours := range slices.Sorted(maps.Keys(c.Severities)) {
		if !slices.Contains(capture.Severities, capture.Severity(ours)) {
			say("severities."+ours, "is not a severity of alerts", "known here: info, warning, alarm")
		} else if theirs := c.Severities[ours]; !slices.Contains(levels, theirs) {
			say("severities."+ours, strconv.Quote(theirs)+" is not known", "known here: "+strings.Join(levels, ", "))
		}
	}
	if c.CAFile != "" {
		if c.network() != "tls" {
			say("ca_file", "is given without network: tls", "leave it out, or use tls")
		} else if _, err := alert.Roots(c.CAFile); err != nil {
			say("ca_file", "can't be used: "+err.Error(), "name a file of certificates in PEM")
		}
	}
	if c.Timeout != 0 && (c.Timeout.Std() < 100*time.Millisecond || c.Timeout.Std() > longest) {
		say("timeout", c.Timeout.String()+" is not between 100ms and "+longest.String(), "leave it out for "+usual.String())
	}
}
