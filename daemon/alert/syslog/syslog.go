// Package syslog tells alerts to a syslog receiver, each as one message of
// RFC 5424 over UDP (RFC 5426), TCP (RFC 6587, octet counting) or TLS
// (RFC 5425).
//
// Syslog has no answer. Over UDP an alert counts as taken once it was sent, and
// may be lost on the way. Over TCP and TLS each alert has a connection of its
// own, which is closed from our side: it counts as taken once the receiver has
// closed its side too, hence read to the end, or shown no trouble for 2 s.
package syslog

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"time"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// Sink sends alerts to one receiver.
type Sink struct {
	cfg  Config
	link string
	host string
	pid  int
}

// New makes a sink from a checked config; link is the address under which
// people reach faultkeep's page, or empty.
func New(cfg Config, link string) *Sink {
	host, _ := os.Hostname() // without a name the message says "-", which RFC 5424 allows
	return &Sink{cfg: cfg, link: link, host: host, pid: os.Getpid()}
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
	case ctx.Err() != nil:
		return fmt.Errorf("%s didn't take the message within %s: %w", s.cfg.Place(), s.cfg.timeout(), err)
	}
	return fmt.Errorf("%s: %w", s.cfg.Place(), err)
}

func (s *Sink) send(ctx context.Context, a capture.Alert) error {
	host, port, err := s.cfg.split()
	if err != nil {
		return alert.Refused{Err: err}
	}
	at := net.JoinHostPort(host, port)
	var d net.Dialer
	if s.cfg.network() == "udp" {
		conn, err := d.DialContext(ctx, "udp", at)
		if err != nil {
			return err
		}
		_, err = conn.Write(s.encode(a, mostUDP))
		return errors.Join(err, conn.Close())
	}
	message := frame(s.encode(a, mostStream))
	conn, err := d.DialContext(ctx, "tcp", at)
	if err != nil {
		return err
	}
	defer conn.Close()
	stop := context.AfterFunc(ctx, func() { _ = conn.SetDeadline(time.Unix(1, 0)) })
	defer stop()
	var to stream = conn.(*net.TCPConn)
	if s.cfg.network() == "tls" {
		cfg, err := s.cfg.tls()
		if err != nil {
			return err
		}
		secure := tls.Client(conn, cfg)
		if err := secure.HandshakeContext(ctx); err != nil {
			return err
		}
		to = secure
	}
	if _, err := to.Write(message); err != nil {
		return err
	}
	return finish(ctx, to)
}

// stream is a TCP connection, or TLS over one.
type stream interface {
	io.ReadWriter
	CloseWrite() error
	SetReadDeadline(time.Time) error
}

// patience is how long a receiver has to close its side after ours.
const patience = 2 * time.Second

// finish closes our side and waits for the receiver to close its own.
func finish(ctx context.Context, conn stream) error {
	if err := conn.CloseWrite(); err != nil {
		return err
	}
	if err := conn.SetReadDeadline(time.Now().Add(patience)); err != nil {
		return err
	}
	_, err := io.Copy(io.Discard, io.LimitReader(conn, 64<<10)) // a receiver has nothing to say
	var slow net.Error
	if ctx.Err() == nil && errors.As(err, &slow) && slow.Timeout() {
		return nil // it keeps the connection, and shows no trouble
	}
	return err
}
