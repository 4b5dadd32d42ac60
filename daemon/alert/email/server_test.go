package email_test

import (
	"crypto/tls"
	"encoding/json"
	"encoding/pem"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"faultkeep/daemon/alert"
	"faultkeep/daemon/alert/email"
	"faultkeep/sources/sourcetest"
)

// server is an SMTP server that shares no code with the sink.
type server struct {
	address string
	ca      string // file with its certificate

	auth    bool
	fails   func(step, what string) error // may be nil; one call at a time
	judging sync.Mutex
	stalls  func(step string) // may be nil

	mu     sync.Mutex
	mails  []received
	logins []string
}

type received struct {
	from string
	to   []string
	raw  []byte
	tls  bool
}

func serve(t *testing.T, how string, s *server) *server {
	t.Helper()
	keys := httptest.NewTLSServer(http.NotFoundHandler())
	defer keys.Close()
	s.ca = filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(s.ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: keys.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg := &tls.Config{Certificates: keys.TLS.Certificates}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.address = l.Addr().String()
	srv := smtp.NewServer(smtp.BackendFunc(func(c *smtp.Conn) (smtp.Session, error) { return &session{server: s, conn: c}, nil }))
	srv.Domain, srv.AllowInsecureAuth = "mail.northquay.example", how == "none"
	srv.ErrorLog = slogger{}
	switch how {
	case "starttls":
		srv.TLSConfig = cfg
	case "tls":
		l = tls.NewListener(l, cfg)
	}
	go func() { _ = srv.Serve(l) }()
	t.Cleanup(func() { _ = srv.Close() })
	return s
}

type slogger struct{}

func (slogger) Printf(string, ...any) {}
func (slogger) Println(...any)        {}

type session struct {
	*server
	conn *smtp.Conn
	now  received
}

func (s *session) step(step, what string) error {
	if s.stalls != nil {
		s.stalls(step)
	}
	if s.fails != nil {
		s.judging.Lock() // one that hung up may still be at it when the next comes
		defer s.judging.Unlock()
		return s.fails(step, what)
	}
	return nil
}

func (s *session) AuthMechanisms() []string {
	if s.auth {
		return []string{sasl.Plain}
	}
	return nil
}

func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.logins = append(s.logins, user+" "+password)
		if password != "s3cr3t-word" {
			return smtp.ErrAuthFailed
		}
		return nil
	}), nil
}

func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	s.now = received{from: from}
	return s.step("mail", from)
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	if err := s.step("rcpt", to); err != nil {
		return err
	}
	s.now.to = append(s.now.to, to)
	return nil
}

func (s *session) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	if err := s.step("data", string(raw)); err != nil {
		if errors.Is(err, errHangUp) {
			s.keep(raw)
			_ = s.conn.Conn().Close()
		}
		return err
	}
	s.keep(raw)
	return nil
}

func (s *session) keep(raw []byte) {
	s.now.raw = raw
	_, s.now.tls = s.conn.TLSConnectionState()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.mails = append(s.mails, s.now)
}

func (s *session) Reset()        { s.now = received{} }
func (s *session) Logout() error { return nil }

var errHangUp = errors.New("the connection goes")

func code(n int) error {
	return &smtp.SMTPError{Code: n, EnhancedCode: smtp.EnhancedCode{n / 100, 0, 0}, Message: "so it is"}
}

// got are the mails so far.
func (s *server) got() []received {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.mails)
}

func sink(s *server, cfg email.Config, e alert.Enclosures) *email.Sink {
	cfg.Server = s.address
	if cfg.Security != "none" {
		cfg.CAFile = s.ca
	}
	if cfg.From == "" {
		cfg.From = "faultkeep@northquay.example"
	}
	if cfg.To == nil {
		cfg.To = []string{"shift@northquay.example"}
	}
	if e == nil {
		e = alert.NoEnclosures{}
	}
	return email.New(cfg, email.About{Link: "http://edge-pc.northquay.example:8377", Zone: time.FixedZone("CET", 3600)}, e, slog.New(slog.DiscardHandler))
}

// parsed is a mail as Python's email module reads it.
type parsed struct {
	Headers map[string]string
	Defects []string
	Parts   []struct {
		Type, ID, Text string
		Bytes          int
	}
}

func (p parsed) part(kind string) string {
	for _, part := range p.Parts {
		if part.Type == kind {
			return part.Text
		}
	}
	return ""
}

const reader = `
import sys, json, email, email.policy
m = email.message_from_bytes(sys.stdin.buffer.read(), policy=email.policy.default)
out = {"headers": {k.lower(): str(v).strip() for k, v in m.items()}, "defects": [repr(d) for p in m.walk() for d in p.defects] +
       [repr(d) for v in m.values() for d in getattr(v, "defects", ())], "parts": []}
for p in m.walk():
    if p.is_multipart():
        out["parts"].append({"type": p.get_content_type(), "id": "", "text": "", "bytes": 0})
        continue
    body = p.get_payload(decode=True)
    out["parts"].append({"type": p.get_content_type(), "id": p.get("Content-ID", ""), "bytes": len(body),
        "text": p.get_content() if p.get_content_maintype() == "text" else ""})
json.dump(out, sys.stdout)
`

func read(t *testing.T, raw []byte) (p parsed) {
	t.Helper()
	cmd := exec.Command(sourcetest.Need(t, "python3"), "-c", reader)
	cmd.Stdin = strings.NewReader(string(raw))
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, raw)
	}
	if err := json.Unmarshal(out, &p); err != nil {
		t.Fatal(err)
	}
	if len(p.Defects) > 0 {
		t.Errorf("Python finds fault with it: %v\n%.2000s", p.Defects, raw)
	}
	for i, line := range strings.Split(string(raw), "\r\n") {
		if len(line) > 998 || strings.ContainsAny(line, "\r\n") { // RFC 5322, 2.1.1 and 2.3
			t.Errorf("line %d is %d long, or has a bare line end", i, len(line))
		}
	}
	return p
}
