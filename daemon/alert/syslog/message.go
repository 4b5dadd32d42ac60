package syslog

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// sdID names our structured data. 32473 is the private enterprise number that
// RFC 5612 sets aside for documentation and examples: faultkeep has none of
// its own, and this one can't be anybody's.
const sdID = "faultkeep@32473"

// Bounds in bytes. Every receiver should take 2048 (RFC 5426, 3.2) or, over
// TLS, 8192 (RFC 5425, 4.3.1).
const (
	mostUDP    = 2048
	mostStream = 8192
)

// encode is an alert as a message of RFC 5424, at most most bytes long; a
// sentence that is too long is cut at its end.
func (s *Sink) encode(a capture.Alert, most int) []byte {
	stamp := "-"
	if !a.Time.IsZero() {
		stamp = a.Time.UTC().Format("2006-01-02T15:04:05.999999Z07:00") // no more than six digits (6.2.3)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "<%d>1 %s %s faultkeep %d %s [%s", s.cfg.priority(a.Severity), stamp, printable(s.host, 255), s.pid, printable(string(a.Kind), 32), sdID)
	for _, p := range []struct{ name, value string }{
		{"alert", a.ID},
		{"drive", a.Drive},
		{"fault", code(a.Fault)},
		{"capture", string(a.Capture)},
		{"severity", string(a.Severity)},
		{"page", alert.Page(s.link, a)},
		{"site", a.Site},
	} {
		param := fmt.Sprintf(` %s="%s"`, p.name, escaper.Replace(strings.ToValidUTF8(p.value, "\ufffd")))
		if p.value != "" && b.Len()+len(param) < most*3/4 { // one that is too long is left out, so that the sentence has room
			b.WriteString(param)
		}
	}
	const bom = "\ufeff" // says that what follows is UTF-8 (6.4)
	b.WriteString("] " + bom + strings.Join(strings.Fields(strings.ToValidUTF8(a.Text, "\ufffd")), " "))
	return []byte(cut(b.String(), most))
}

// escaper is for values (RFC 5424, 6.3.3). Line ends are allowed there, but few
// receivers show them as one message.
var escaper = strings.NewReplacer(`"`, `\"`, `\`, `\\`, `]`, `\]`, "\n", " ", "\r", " ", "\x00", " ")

// code is the fault's code as the drive shows it, where there is one.
func code(f capture.Fault) string {
	if f.Shown == "" && f.Code == 0 {
		return ""
	}
	return f.ShownCode()
}

// cut shortens s to at most n bytes of whole characters.
func cut(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n]
}

// printable is s as a field of the header: PRINTUSASCII, or the nil value.
func printable(s string, n int) string {
	s = strings.Map(func(r rune) rune {
		if r < '!' || r > '~' {
			return -1
		}
		return r
	}, s)
	if s == "" {
		return "-"
	}
	return cut(s, n)
}

// frame puts the length in front of a message for TCP and TLS: octet counting
// (RFC 6587, 3.4.1; RFC 5425, 4.3).
func frame(message []byte) []byte {
	return append([]byte(strconv.Itoa(len(message))+" "), message...)
}
