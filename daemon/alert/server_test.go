package alert_test

import (
	"testing"

	"faultkeep/daemon/alert"
)

// Ways to write a server; IPv6 in brackets or bare (RFC 3986, 3.2.2, has the brackets).
func TestSplitServer(t *testing.T) {
	for text, want := range map[string][2]string{
		"mail.northquay.example":      {"mail.northquay.example", "587"},
		"mail.northquay.example:2525": {"mail.northquay.example", "2525"},
		"192.0.2.5":                   {"192.0.2.5", "587"},
		"2001:db8::5":                 {"2001:db8::5", "587"},
		"[2001:db8::5]":               {"2001:db8::5", "587"},
		"[2001:db8::5]:25":            {"2001:db8::5", "25"},
	} {
		if host, port, err := alert.SplitServer(text, "587"); err != nil || host != want[0] || port != want[1] {
			t.Errorf("%s is %q and %q, %v", text, host, port, err)
		}
	}
	if _, _, err := alert.SplitServer("a:b:c", "587"); err == nil {
		t.Error("a:b:c is a server")
	}
}

func TestLoopback(t *testing.T) {
	for host, want := range map[string]bool{"localhost": true, "127.0.0.1": true, "127.8.0.1": true, "::1": true, "192.0.2.5": false,
		"localhost.northquay.example": false, "": false} {
		if alert.Loopback(host) != want {
			t.Errorf("%q is this computer: %v", host, !want)
		}
	}
}
