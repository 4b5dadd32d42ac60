// Package mqtt tells alerts to an MQTT 5.0 broker, each as a CloudEvents 1.0
// event at QoS 1, and shows there what stands:
//
//	PREFIX/alert/DRIVE   alerts; PREFIX/alert where it is no drive's
//	PREFIX/drive/DRIVE   the drive's state, retained
//	PREFIX/status        online or offline, retained; offline is the last will
//	PREFIX/heartbeat     the time, as long as all is well, where the config wants it
//
// An alert counts as taken when the broker has acknowledged it.
package mqtt

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"sync"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// ContentType of alerts, as the MQTT binding of CloudEvents has it (structured mode).
const ContentType = "application/cloudevents+json; charset=utf-8"

// Sink publishes to one broker.
type Sink struct {
	cfg  Config
	link string
	log  *slog.Logger

	mu       sync.Mutex
	standing *connection // while Stand runs
}

// New makes a sink from a checked config; link is the address under which
// people reach faultkeep's page, or empty.
func New(cfg Config, link string, log *slog.Logger) *Sink {
	return &Sink{cfg: cfg, link: link, log: log}
}

// connection is one that comes back by itself.
type connection struct {
	*autopaho.ConnectionManager
	up  chan struct{} // has something to receive after it came up
	end context.CancelFunc

	mu  sync.Mutex
	why error // of the last attempt that failed
}

func (c *connection) failed(err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.why = err
}

func (c *connection) reason(otherwise error) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	var refused *autopaho.ConnackError
	if errors.As(c.why, &refused) {
		return fmt.Errorf("the broker turns the connection down: %s (0x%02X)", words(refused.ReasonCode), refused.ReasonCode)
	}
	if c.why != nil {
		return c.why
	}
	return otherwise
}

// connect begins; id and will are for a connection that shows what stands.
func (s *Sink) connect(ctx context.Context, id string, will bool) (*connection, error) {
	host, port, err := s.cfg.split()
	if err != nil {
		return nil, err
	}
	c := &connection{up: make(chan struct{}, 1)}
	at := &url.URL{Scheme: "mqtt", Host: net.JoinHostPort(host, port)}
	cfg := autopaho.ClientConfig{
		KeepAlive: 20, CleanStartOnInitialConnection: true, ConnectTimeout: s.cfg.timeout(),
		ReconnectBackoff: func(failed int) time.Duration { return min(30*time.Second, time.Duration(failed)*time.Second) },
		OnConnectionUp: func(*autopaho.ConnectionManager, *paho.Connack) {
			c.failed(nil)
			select {
			case c.up <- struct{}{}:
			default:
			}
		},
		OnConnectError: c.failed,
		ClientConfig:   paho.ClientConfig{ClientID: id, PacketTimeout: s.cfg.timeout()},
	}
	if s.cfg.security() == "tls" {
		at.Scheme = "mqtts"
		if cfg.TlsCfg, err = alert.TLS(host, s.cfg.CAFile); err != nil {
			return nil, err
		}
	}
	cfg.ServerUrls = []*url.URL{at}
	cfg.ConnectPacketBuilder = func(p *paho.Connect, _ *url.URL) (*paho.Connect, error) {
		if s.cfg.User == "" {
			return p, nil
		}
		word, err := s.cfg.password().Read()
		if err != nil {
			return nil, err
		}
		p.Username, p.UsernameFlag = s.cfg.User, true
		p.Password, p.PasswordFlag = []byte(word), word != ""
		return p, nil
	}
	if will {
		cfg.WillMessage = &paho.WillMessage{Topic: s.cfg.prefix() + "/status", Payload: []byte("offline"), QoS: 1, Retain: true}
	}
	ctx, c.end = context.WithCancel(context.WithoutCancel(ctx)) // ended by close, after the last words
	c.ConnectionManager, err = autopaho.NewConnection(ctx, cfg)
	if err != nil {
		c.end()
		return nil, err
	}
	return c, nil
}

// close says goodbye, so that no will is published.
func (c *connection) close() {
	ctx, stop := context.WithTimeout(context.Background(), time.Second)
	defer stop()
	_ = c.Disconnect(ctx)
	c.end()
}

// Send publishes one alert, over the standing connection or one of its own.
// See alert.Sink.
func (s *Sink) Send(ctx context.Context, a capture.Alert) error {
	body, err := alert.Event(a, s.link)
	if err != nil {
		return alert.Refused{Err: fmt.Errorf("the alert can't be written as JSON: %w", err)}
	}
	ctx, cancel := context.WithTimeout(ctx, s.cfg.timeout())
	defer cancel()
	to := s.cfg.prefix() + "/alert"
	if a.Drive != "" {
		to += "/" + topic(a.Drive)
	}
	s.mu.Lock()
	c := s.standing
	s.mu.Unlock()
	if c == nil {
		if c, err = s.connect(ctx, "", false); err != nil {
			return fmt.Errorf("%s: %w", s.cfg.Place(), err)
		}
		defer c.close()
	}
	if err := s.publish(ctx, c, to, body, ContentType, false); err != nil {
		return fmt.Errorf("%s: %w", s.cfg.Place(), err)
	}
	return nil
}

// Beat publishes that all is well now, over a connection of its own.
func (s *Sink) Beat(ctx context.Context) error {
	c, err := s.connect(ctx, "", false)
	if err != nil {
		return fmt.Errorf("%s: %w", s.cfg.Place(), err)
	}
	defer c.close()
	if err := s.publish(ctx, c, s.cfg.prefix()+"/heartbeat", []byte(time.Now().UTC().Format(time.RFC3339)), "text/plain", false); err != nil {
		return fmt.Errorf("%s: %w", s.cfg.Place(), err)
	}
	return nil
}

// publish returns nil only once the broker has acknowledged it.
func (s *Sink) publish(ctx context.Context, c *connection, to string, body []byte, kind string, retain bool) error {
	if err := c.AwaitConnection(ctx); err != nil {
		return c.reason(fmt.Errorf("no connection within %s: %w", s.cfg.timeout(), err))
	}
	text := byte(1) // the payload is UTF-8 (MQTT 5.0, 3.3.2.3.2)
	answer, err := c.Publish(ctx, &paho.Publish{QoS: 1, Retain: retain, Topic: to, Payload: body,
		Properties: &paho.PublishProperties{ContentType: kind, PayloadFormat: &text}})
	if answer != nil && answer.ReasonCode >= 0x80 {
		err = fmt.Errorf("the broker doesn't take it: %s (0x%02X)", words(answer.ReasonCode), answer.ReasonCode)
		if final[answer.ReasonCode] {
			return alert.Refused{Err: err}
		}
		return err
	}
	if ctx.Err() != nil && err != nil {
		return fmt.Errorf("not acknowledged within %s: %w", s.cfg.timeout(), err)
	}
	return err
}

// final are the reasons (MQTT 5.0, 3.4.2.1) that the same alert meets again,
// whatever is put right at the broker.
var final = map[byte]bool{0x90: true, 0x99: true}

// words of reason codes (MQTT 5.0, 2.4).
func words(code byte) string {
	known := map[byte]string{0x80: "unspecified error", 0x83: "implementation specific error", 0x86: "bad user name or password", 0x87: "not authorised",
		0x88: "server unavailable", 0x89: "server busy", 0x85: "client identifier not valid", 0x84: "it doesn't speak MQTT 5.0", 0x90: "topic name not valid",
		0x95: "packet too large", 0x97: "quota exceeded", 0x99: "payload format not valid"}
	if w := known[code]; w != "" {
		return w
	}
	return "refused"
}

// Stand shows what stands. See alert.Standing.
func (s *Sink) Stand(ctx context.Context, states func() []alert.State, changed <-chan struct{}) {
	c, err := s.connect(ctx, s.cfg.ClientID, true)
	if err != nil {
		s.log.Error("the drives' states aren't shown by MQTT", "broker", s.cfg.Place(), "error", err)
		return
	}
	s.mu.Lock()
	s.standing = c
	s.mu.Unlock()
	defer func() {
		s.mu.Lock()
		s.standing = nil
		s.mu.Unlock()
		last, stop := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer stop()
		_ = s.publish(last, c, s.cfg.prefix()+"/status", []byte("offline"), "text/plain", true) // else the broker's will says it
		c.close()
	}()
	shown := map[string][]byte{}
	told := time.Time{}
	for {
		again := time.NewTimer(time.Minute) // in case something was refused
		select {
		case <-ctx.Done():
			again.Stop()
			return
		case <-c.up: // a broker that was restarted may have forgotten everything
			clear(shown)
		case <-changed:
		case <-again.C:
		}
		again.Stop()
		if err := s.show(ctx, c, states(), shown); err != nil && ctx.Err() == nil && time.Since(told) > 10*time.Minute {
			told = time.Now()
			s.log.Warn("the drives' states can't be shown by MQTT", "broker", s.cfg.Place(), "error", err)
		}
	}
}

// show publishes what is different from what was shown.
func (s *Sink) show(ctx context.Context, c *connection, states []alert.State, shown map[string][]byte) error {
	ctx, stop := context.WithTimeout(ctx, s.cfg.timeout())
	defer stop()
	tell := func(to string, body []byte, kind string) error {
		if bytes.Equal(shown[to], body) {
			return nil
		}
		if err := s.publish(ctx, c, to, body, kind, true); err != nil {
			return err
		}
		shown[to] = body
		return nil
	}
	for _, state := range states {
		body, err := json.Marshal(state)
		if err != nil {
			return err
		}
		if err := tell(s.cfg.prefix()+"/drive/"+topic(state.Drive), body, "application/json"); err != nil {
			return err
		}
	}
	return tell(s.cfg.prefix()+"/status", []byte("online"), "text/plain") // last, so that it means what it says
}
