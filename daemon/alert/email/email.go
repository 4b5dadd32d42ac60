// Package email tells alerts by mail (RFC 5322 over SMTP, RFC 5321): a plain
// text that says everything, the same as HTML with the capture's picture, and
// a link to the page.
//
// An alert counts as taken when the server has accepted it for at least one
// recipient and refused all others for good. All its tries carry the same
// Message-ID.
package email

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/textproto"
	"os"
	"strings"
	"time"

	"github.com/wneessen/go-mail/smtp"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// Sink sends mail by one server.
type Sink struct {
	cfg     Config
	about   About
	enclose alert.Enclosures
	log     *slog.Logger

	owed owed
}

// About is what messages say of the plant.
type About struct {
	Link string         // address under which people reach faultkeep's page, or empty
	Zone *time.Location // in which times are told
}

// owed are the recipients that an alert still has to reach, after others took
// it; for one alert at a time, and only until faultkeep ends.
type owed struct {
	id     string
	to     []string
	since  time.Time
	behind map[string]bool // recipients that the last alert was given up for
}

// patience is how long an alert is sent again to recipients that the server
// puts off, once others have it: later ones wait meanwhile.
const patience = 2 * time.Minute

// New makes a sink from a checked config.
func New(cfg Config, about About, enclose alert.Enclosures, log *slog.Logger) *Sink {
	if about.Zone == nil {
		about.Zone = time.UTC
	}
	return &Sink{cfg: cfg, about: about, enclose: enclose, log: log, owed: owed{behind: map[string]bool{}}}
}

// Send sends one message. See alert.Sink.
func (s *Sink) Send(ctx context.Context, a capture.Alert) error {
	ctx, cancel := context.WithTimeout(ctx, s.cfg.timeout())
	defer cancel()
	err := s.send(ctx, a)
	var cert *tls.CertificateVerificationError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &cert):
		return fmt.Errorf("%s: its certificate isn't trusted; name the one that signed it in ca_file: %w", s.cfg.Place(), err)
	case ctx.Err() != nil && !alert.IsRefused(err):
		return fmt.Errorf("%s didn't take the mail within %s: %w", s.cfg.Place(), s.cfg.timeout(), err)
	}
	return fmt.Errorf("%s: %w", s.cfg.Place(), err)
}

func (s *Sink) send(ctx context.Context, a capture.Alert) error {
	if s.owed.id != a.ID || a.ID == "" {
		s.owed.id, s.owed.to, s.owed.since = a.ID, nil, time.Time{}
	}
	to := s.owed.to
	if to == nil {
		for _, address := range s.cfg.To {
			if parsed, why := parse(address); why == "" {
				to = append(to, parsed.Address)
			}
		}
	}
	password, err := s.cfg.password().Read()
	if err != nil {
		return err
	}
	m, err := s.message(ctx, a, true)
	if err != nil {
		return alert.Refused{Err: fmt.Errorf("the alert can't be written as mail: %w", err)}
	}
	got, err := s.over(ctx, password, m, to)
	var said *textproto.Error
	if errors.As(err, &said) && said.Code/100 == 5 && got.content && m.pictures() {
		// Some servers take no pictures, or nothing of that size: words matter more.
		s.log.Warn("mail is sent again without its picture", "server", s.cfg.Place(), "error", err)
		if m, err = s.message(ctx, a, false); err != nil {
			return alert.Refused{Err: fmt.Errorf("the alert can't be written as mail: %w", err)}
		}
		got, err = s.over(ctx, password, m, to)
	}
	if err != nil {
		if errors.As(err, &said) && said.Code/100 == 5 && (got.content || got.recipients) {
			return alert.Refused{Err: err}
		}
		return err
	}
	return s.settle(a, got)
}

// settle remembers who has the alert, and decides whether that is enough.
func (s *Sink) settle(a capture.Alert, got result) error {
	for _, to := range got.taken {
		delete(s.owed.behind, to)
	}
	for to, err := range got.refused {
		s.log.Error("mail was taken by others, but refused for one recipient", "alert", a.ID, "recipient", to, "error", err)
	}
	if s.owed.since.IsZero() {
		s.owed.since = time.Now()
	}
	var wait []string
	var last error
	for to, err := range got.later {
		if s.owed.behind[to] || time.Since(s.owed.since) > patience {
			s.owed.behind[to] = true
			s.log.Error("mail was taken by others, and given up for one recipient whom the server puts off", "alert", a.ID, "recipient", to, "error", err)
			continue
		}
		wait, last = append(wait, to), err
	}
	if len(wait) > 0 {
		s.owed.to = wait
		return fmt.Errorf("others have it, but %s is put off: %w", strings.Join(wait, ", "), last)
	}
	s.owed.to = nil
	return nil
}

// result of a session: how each recipient fared. After an error, which step
// the server's answer was to.
type result struct {
	taken               []string
	refused, later      map[string]error
	recipients, content bool
}

// over sends m in one session. Without an error at least one recipient has it,
// now or, where the others had it before, none of those still owed.
func (s *Sink) over(ctx context.Context, password string, m *message, to []string) (got result, err error) {
	c, hang, err := s.dial(ctx)
	if err != nil {
		return got, err
	}
	defer hang()
	if s.cfg.User != "" {
		if err := s.login(c, password); err != nil {
			return got, err
		}
	}
	if err := c.Mail("<" + m.sender + ">"); err != nil {
		return got, fmt.Errorf("the sender %s: %w", m.sender, err)
	}
	got.refused, got.later = map[string]error{}, map[string]error{}
	var last, soft error
	for _, address := range to {
		err := c.Rcpt("<" + address + ">")
		var said *textproto.Error
		switch {
		case err == nil:
			got.taken = append(got.taken, address)
			continue
		case !errors.As(err, &said):
			return got, err // the connection, not the recipient
		case said.Code/100 == 5:
			got.refused[address] = err
		default:
			got.later[address], soft = err, err
		}
		last = fmt.Errorf("the recipient %s: %w", address, err)
	}
	if len(got.taken) == 0 {
		if s.owed.to != nil { // others have it
			return got, nil
		}
		got.recipients = true
		if soft != nil {
			last = soft
		}
		return got, last
	}
	w, err := c.Data()
	if err == nil {
		if _, err = m.WriteTo(w); err != nil {
			return got, err // not ended, so the server hasn't taken it
		}
		err = w.Close()
	}
	if err != nil {
		got.content = true
		return got, fmt.Errorf("the message: %w", err)
	}
	_ = c.Quit() // it is taken, whatever comes now
	return got, nil
}

// dial gives a session that is ready to log in. hang ends it.
func (s *Sink) dial(ctx context.Context) (c *smtp.Client, hang func(), err error) {
	host, port, err := s.cfg.split()
	if err != nil {
		return nil, nil, err
	}
	trust, err := alert.TLS(host, s.cfg.CAFile)
	if err != nil {
		return nil, nil, err
	}
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", net.JoinHostPort(host, port))
	if err != nil {
		return nil, nil, err
	}
	stop := context.AfterFunc(ctx, func() { _ = conn.SetDeadline(time.Unix(1, 0)) })
	end := func() { stop(); _ = conn.Close() }
	defer func() {
		if err != nil {
			end()
		}
	}()
	over := conn
	if s.cfg.security() == "tls" {
		secure := tls.Client(conn, trust)
		if err := secure.HandshakeContext(ctx); err != nil {
			return nil, nil, err
		}
		over = secure
	}
	if c, err = smtp.NewClient(over, host); err != nil {
		return nil, nil, fmt.Errorf("no greeting: %w", err)
	}
	c.SkipSMTPUTF8(true) // addresses are ASCII, and the text is encoded
	if err := c.Hello(helo()); err != nil {
		return nil, nil, fmt.Errorf("EHLO: %w", err)
	}
	if s.cfg.security() == "starttls" {
		if ok, _ := c.Extension("STARTTLS"); !ok {
			return nil, nil, errors.New("the server offers no STARTTLS; write security: tls where it speaks TLS from the start")
		}
		if err := c.StartTLS(trust); err != nil {
			return nil, nil, fmt.Errorf("STARTTLS: %w", err)
		}
	}
	return c, end, nil
}

// login by the best way that the server knows.
func (s *Sink) login(c *smtp.Client, password string) error {
	offered, list := c.Extension("AUTH")
	ways := strings.Fields(list)
	has := func(way string) bool {
		for _, w := range ways {
			if strings.EqualFold(w, way) {
				return offered
			}
		}
		return false
	}
	host, _, _ := s.cfg.split()
	clear := s.cfg.security() == "none" // checked: on this computer only
	var auth smtp.Auth
	switch {
	case has("SCRAM-SHA-256"):
		auth = smtp.ScramSHA256Auth(s.cfg.User, password)
	case has("PLAIN"):
		auth = smtp.PlainAuth("", s.cfg.User, password, host, clear)
	case has("LOGIN"):
		auth = smtp.LoginAuth(s.cfg.User, password, host, clear)
	case has("CRAM-MD5"):
		auth = smtp.CRAMMD5Auth(s.cfg.User, password)
	default:
		return fmt.Errorf("the server offers no way to log in that is known here (%s)", strings.Join(ways, ", "))
	}
	if err := c.Auth(auth); err != nil {
		return fmt.Errorf("log in as %s: %w", s.cfg.User, err)
	}
	return nil
}

// helo is this computer's name as the server is told it.
func helo() string {
	name, err := os.Hostname()
	ok := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '.'
	}
	if err != nil || name == "" || strings.ContainsFunc(name, func(r rune) bool { return !ok(r) }) {
		return "localhost"
	}
	return name
}
