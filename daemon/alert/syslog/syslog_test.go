package syslog_test

import (
	"bytes"
	"crypto/tls"
	"encoding/pem"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	parser "github.com/leodido/go-syslog/v4"
	"github.com/leodido/go-syslog/v4/octetcounting"
	"github.com/leodido/go-syslog/v4/rfc5424"

	"faultkeep/configs/strict"
	"faultkeep/daemon/alert"
	"faultkeep/daemon/alert/syslog"
	"faultkeep/store/capture"
)

var trip = capture.Alert{
	ID:       "20261125-031207-bucket-elevator-k3fq/capture",
	Time:     time.Date(2026, 11, 25, 4, 12, 7, 410_000_000, time.FixedZone("CET", 3600)),
	Kind:     capture.KindCapture,
	Severity: capture.Alarm,
	Site:     `Northquay "grain" [terminal] \ West`,
	Drive:    "bucket-elevator",
	Fault:    capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent"},
	Capture:  "20261125-031207-bucket-elevator-k3fq",
	Text:     "Förderer 3 tripped: Continuous overcurrent (2311).\nKept whole.",
}

// parse reads a message by a library that shares no code with ours.
func parse(t *testing.T, raw []byte) *rfc5424.SyslogMessage {
	t.Helper()
	m, err := rfc5424.NewParser().Parse(raw)
	if err != nil {
		t.Fatalf("%v in %q", err, raw)
	}
	return m.(*rfc5424.SyslogMessage)
}

// datagram sends an alert over UDP and hands back what arrived.
func datagram(t *testing.T, cfg syslog.Config, a capture.Alert) []byte {
	t.Helper()
	here, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer here.Close()
	cfg.Address = here.LocalAddr().String()
	if err := syslog.New(cfg, "http://edge-pc.example:8377").Send(t.Context(), a); err != nil {
		t.Fatal(err)
	}
	_ = here.SetReadDeadline(time.Now().Add(5 * time.Second))
	buf := make([]byte, 64<<10)
	n, _, err := here.ReadFrom(buf)
	if err != nil {
		t.Fatal(err)
	}
	return buf[:n]
}

func TestMessageByIndependentParser(t *testing.T) {
	m := parse(t, datagram(t, syslog.Config{}, trip))
	want := map[string]map[string]string{"faultkeep@32473": {"alert": trip.ID, "severity": "alarm", "site": trip.Site,
		"drive": trip.Drive, "fault": "2311", "capture": string(trip.Capture), "page": "http://edge-pc.example:8377/capture/" + string(trip.Capture)}}
	if diff := cmp.Diff(want, *m.StructuredData); diff != "" {
		t.Error(diff)
	}
	if *m.Priority != 16*8+3 { // local0, error: RFC 5424, tables 1 and 2
		t.Errorf("priority %d", *m.Priority)
	}
	if m.Version != 1 || *m.Appname != "faultkeep" || *m.MsgID != "capture" || !m.Timestamp.Equal(trip.Time) {
		t.Errorf("%d %s %s %s", m.Version, *m.Appname, *m.MsgID, m.Timestamp)
	}
	// The byte order mark is RFC 5424's, 6.4: EF BB BF says that UTF-8 follows.
	if got, want := *m.Message, "\xef\xbb\xbfFörderer 3 tripped: Continuous overcurrent (2311). Kept whole."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestFacilityAndSeverity(t *testing.T) {
	for _, c := range []struct {
		cfg  syslog.Config
		is   capture.Severity
		want uint8 // facility × 8 + severity, RFC 5424, 6.2.1
	}{
		{syslog.Config{}, capture.Warning, 132},
		{syslog.Config{}, capture.Info, 134},
		{syslog.Config{}, "unheard of", 131}, // told as an alarm
		{syslog.Config{Facility: "local4"}, capture.Alarm, 163},
		{syslog.Config{Facility: "kern", Severities: map[string]string{"alarm": "emerg"}}, capture.Alarm, 0},
		{syslog.Config{Facility: "local7", Severities: map[string]string{"info": "debug"}}, capture.Info, 191},
	} {
		a := trip
		a.Severity = c.is
		if m := parse(t, datagram(t, c.cfg, a)); *m.Priority != c.want {
			t.Errorf("%+v, %s: %d, want %d", c.cfg, c.is, *m.Priority, c.want)
		}
	}
}

func TestHostileAlert(t *testing.T) {
	for _, long := range []string{strings.Repeat("ö]\"\\\n\x00\xff", 2000), strings.Repeat("]", 250), strings.Repeat("]", 180), strings.Repeat("ö", 130)} {
		a := capture.Alert{ID: long, Kind: capture.Kind(long), Severity: capture.Severity(long), Site: long, Drive: long,
			Fault: capture.Fault{Shown: long}, Capture: capture.ID(long), Text: strings.Repeat(long, 20)}
		raw := datagram(t, syslog.Config{}, a)
		m := parse(t, raw)
		if len(raw) > 2048 { // RFC 5426, 3.2
			t.Errorf("%d bytes in one datagram", len(raw))
		}
		if !utf8.Valid(raw) || bytes.ContainsAny(raw, "\r\n") || m.Message == nil || len(*m.Message) < 400 || m.Timestamp != nil {
			t.Errorf("%q", raw)
		}
	}
	if parse(t, datagram(t, syslog.Config{}, capture.Alert{})).StructuredData == nil {
		t.Error("an empty alert has no structured data")
	}
}

// receiver takes connections, hands each to handle, and gives its address.
func receiver(t *testing.T, cfg *tls.Config, handle func(net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if cfg != nil {
		l = tls.NewListener(l, cfg)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() { defer conn.Close(); handle(conn) }()
		}
	}()
	return l.Addr().String()
}

// certificate is one for 127.0.0.1, and the file that holds it for a client.
func certificate(t *testing.T) (*tls.Config, string) {
	t.Helper()
	s := httptest.NewTLSServer(http.NotFoundHandler())
	defer s.Close()
	file := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	return &tls.Config{Certificates: s.TLS.Certificates}, file
}

// Frames are read by the same library's reader of RFC 5425 and RFC 6587.
func TestStreams(t *testing.T) {
	server, file := certificate(t)
	for network, cfg := range map[string]*tls.Config{"tcp": nil, "tls": server} {
		var got []*parser.Result
		done := make(chan struct{})
		at := receiver(t, cfg, func(conn net.Conn) {
			octetcounting.NewParser(parser.WithListener(func(r *parser.Result) { got = append(got, r) })).Parse(conn)
			close(done)
		})
		c := syslog.Config{Address: at, Network: network}
		if network == "tls" {
			c.CAFile = file
		}
		if err := syslog.New(c, "").Send(t.Context(), trip); err != nil {
			t.Fatalf("%s: %v", network, err)
		}
		<-done
		if len(got) != 1 || got[0].Error != nil || !strings.HasSuffix(*got[0].Message.(*rfc5424.SyslogMessage).Message, "Kept whole.") {
			t.Errorf("%s: %+v", network, got)
		}
	}
}

// A receiver that goes away or can't be trusted hasn't taken the alert: it is sent again.
func TestTrouble(t *testing.T) {
	server, file := certificate(t)
	reset := func(conn net.Conn) { // unread bytes make the close a reset
		_, _ = conn.Read(make([]byte, 1))
		conn.(*net.TCPConn).SetLinger(0)
	}
	hang := func(conn net.Conn) { _, _ = io.Copy(io.Discard, conn); time.Sleep(time.Second) }
	for _, c := range []struct {
		name, want string
		cfg        syslog.Config
	}{
		{"reset", " over TCP: ", syslog.Config{Network: "tcp", Address: receiver(t, nil, reset)}},
		{"not trusted", "its certificate isn't trusted; name the one that signed it in ca_file", syslog.Config{Network: "tls", Address: receiver(t, server, hang)}},
		{"handshake hangs", "within 200ms", syslog.Config{Network: "tls", CAFile: file, Address: receiver(t, nil, hang), Timeout: strict.Duration(200 * time.Millisecond)}},
		{"answers too late", "within 200ms", syslog.Config{Network: "tcp", Address: receiver(t, nil, hang), Timeout: strict.Duration(200 * time.Millisecond)}},
		{"no such name", "lookup", syslog.Config{Address: "no-such-host.invalid"}}, // RFC 6761, 6.4
	} {
		err := syslog.New(c.cfg, "").Send(t.Context(), trip)
		if err == nil || alert.IsRefused(err) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want …%s…", c.name, err, c.want)
		}
	}
}

func TestCheck(t *testing.T) {
	_, file := certificate(t)
	for _, c := range []struct {
		cfg  syslog.Config
		want string
	}{
		{syslog.Config{Address: "logs.northquay.example"}, ""},
		{syslog.Config{Address: "2001:db8::1", Network: "tcp"}, ""},
		{syslog.Config{Address: "[2001:db8::1]:1514", Network: "tls", CAFile: file, Facility: "daemon",
			Severities: map[string]string{"alarm": "crit"}, Timeout: strict.Duration(5 * time.Second)}, ""},
		{syslog.Config{}, "address"},
		{syslog.Config{Address: "udp://x"}, "address"},
		{syslog.Config{Address: "x:0"}, "address"},
		{syslog.Config{Address: "x:65536"}, "address"},
		{syslog.Config{Address: "x", Network: "sctp"}, "network"},
		{syslog.Config{Address: "x", Facility: "local8"}, "facility"},
		{syslog.Config{Address: "x", Severities: map[string]string{"alarms": "crit", "info": "note"}}, "severities.alarms severities.info"},
		{syslog.Config{Address: "x", CAFile: file}, "ca_file"},
		{syslog.Config{Address: "x", Network: "tls", CAFile: "absent"}, "ca_file"},
		{syslog.Config{Address: "x", Network: "tls", CAFile: "syslog.go"}, "ca_file"},
		{syslog.Config{Address: "x", Timeout: strict.Duration(time.Minute)}, "timeout"},
	} {
		var keys []string
		c.cfg.Check(func(key, _, _ string) { keys = append(keys, key) })
		if got := strings.Join(keys, " "); got != c.want {
			t.Errorf("%+v: %q, want %q", c.cfg, got, c.want)
		}
	}
}

// A receiver that keeps the connection open and is silent has the message.
func TestReceiverThatNeverCloses(t *testing.T) {
	if testing.Short() {
		t.Skip("waits 2 s")
	}
	release := make(chan struct{})
	defer close(release)
	at := receiver(t, nil, func(conn net.Conn) { _, _ = io.Copy(io.Discard, conn); <-release })
	if err := syslog.New(syslog.Config{Address: at, Network: "tcp"}, "").Send(t.Context(), trip); err != nil {
		t.Error(err)
	}
}
