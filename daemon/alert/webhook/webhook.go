// Package webhook tells alerts to an HTTP receiver, each as one POST that
// carries a CloudEvents 1.0 event in structured JSON mode. An answer of 2xx
// means that the receiver has taken the alert over.
package webhook

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// ContentType of every request.
const ContentType = "application/cloudevents+json; charset=utf-8"

// Sink posts alerts to one address.
type Sink struct {
	cfg    Config
	link   string
	client *http.Client
}

// New makes a sink from a checked config; link is the address under which
// people reach faultkeep's page, or empty.
func New(cfg Config, link string) *Sink {
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.IdleConnTimeout = 20 * time.Second // shorter than most servers', so that a stale connection is rare
	t.MaxConnsPerHost = 1
	t.MaxResponseHeaderBytes = 64 << 10
	return &Sink{cfg: cfg, link: link, client: &http.Client{Transport: t, CheckRedirect: follow}}
}

// follow lets a redirect through only where the alert and its secret go to the
// same place and the POST stays a POST; anything else is answered for as it is.
func follow(r *http.Request, via []*http.Request) error {
	first := via[0].URL
	if r.Method != http.MethodPost || r.URL.Scheme != first.Scheme || r.URL.Host != first.Host || len(via) > 3 {
		return http.ErrUseLastResponse
	}
	return nil
}

// Send posts the alert. See alert.Sink.
func (s *Sink) Send(ctx context.Context, a capture.Alert) error {
	body, err := alert.Event(a, s.link)
	if err != nil {
		return alert.Refused{Err: fmt.Errorf("the alert can't be written as JSON: %w", err)}
	}
	secret, err := s.cfg.secret().Read()
	if err != nil {
		return err
	}
	key, err := s.cfg.key().Read()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, s.cfg.timeout())
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, s.cfg.URL, bytes.NewReader(body))
	if err != nil {
		return alert.Refused{Err: errors.New("the webhook's url is not an address")} // the cause would quote it
	}
	for name, value := range s.cfg.Headers {
		req.Header.Set(name, value)
	}
	if secret != "" {
		value := secret
		if s.cfg.SecretHeader == "" {
			value = "Bearer " + secret
		}
		req.Header.Set(s.cfg.header(), value)
	}
	req.Header.Set("Content-Type", ContentType)
	req.Header.Set("User-Agent", "faultkeep")
	if key != "" {
		now := strconv.FormatInt(time.Now().Unix(), 10)
		req.Header.Set(TimestampHeader, now)
		req.Header.Set(SignatureHeader, sign(key, now, body))
	}
	resp, err := s.client.Do(req)
	if err != nil {
		var u *url.Error
		if errors.As(err, &u) {
			err = u.Err // without the address, which may carry a token
		}
		if errors.Is(err, context.DeadlineExceeded) {
			return fmt.Errorf("%s didn't answer within %s: %w", s.cfg.Place(), s.cfg.timeout(), err)
		}
		return fmt.Errorf("%s: %w", s.cfg.Place(), err)
	}
	defer resp.Body.Close()
	return s.judge(resp, secret, key)
}

// judge turns an answer into what the dispatcher needs to know.
func (s *Sink) judge(resp *http.Response, secrets ...string) error {
	const most = 4 << 10 // of what the receiver says, we read no more
	code := resp.StatusCode
	if code >= 200 && code < 300 {
		_, _ = io.Copy(io.Discard, io.LimitReader(resp.Body, most)) // so that the connection can be used again
		return nil
	}
	text := fmt.Sprintf("%s answered %d", s.cfg.Place(), code)
	if name := http.StatusText(code); name != "" {
		text += " " + name
	}
	if code >= 300 && code < 400 {
		if to, err := resp.Location(); err == nil {
			text += fmt.Sprintf(" and points to %s://%s. Put the final address into url; faultkeep doesn't carry alerts elsewhere", to.Scheme, to.Host)
		}
		return errors.New(text)
	}
	said, _ := io.ReadAll(io.LimitReader(resp.Body, most))
	if words := s.quote(said, secrets); words != "" {
		text += ": " + words
	}
	err := errors.New(text)
	if after := retryAfter(resp.Header.Get("Retry-After"), time.Now()); after > 0 {
		return alert.Later{Err: err, After: after}
	}
	if code >= 400 && code < 500 && code != http.StatusRequestTimeout && code != http.StatusTooEarly && code != http.StatusTooManyRequests {
		return alert.Refused{Err: err}
	}
	return err
}

// quote makes one short line of what a receiver said. Some receivers send
// back what they were sent, so the secret and the headers are taken out.
func (s *Sink) quote(b []byte, secrets []string) string {
	words := strings.ToValidUTF8(string(b), "")
	hide := func(word string, least int) {
		if len(word) >= least { // taking out "/" or "1" would only garble
			words = strings.ReplaceAll(words, word, "…")
		}
	}
	for _, secret := range secrets {
		hide(secret, 1)
	}
	for _, v := range s.cfg.Headers {
		hide(v, 4)
	}
	if u, err := url.Parse(s.cfg.URL); err == nil {
		hide(u.RawQuery, 4)
		hide(u.EscapedPath(), 4)
	}
	words = strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) || !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, words)
	words = strings.Join(strings.Fields(words), " ")
	if r := []rune(words); len(r) > 160 {
		words = string(r[:159]) + "…"
	}
	return words
}

// retryAfter reads the header of that name (RFC 9110, 10.2.3): seconds or a date.
func retryAfter(value string, now time.Time) time.Duration {
	if value == "" {
		return 0
	}
	if n, err := strconv.ParseUint(value, 10, 31); err == nil {
		return time.Duration(n) * time.Second
	}
	if at, err := http.ParseTime(value); err == nil {
		return at.Sub(now)
	}
	return 0
}
