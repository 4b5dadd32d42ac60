package mqtt_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"encoding/pem"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"faultkeep/configs/strict"
	"faultkeep/daemon/alert"
	"faultkeep/daemon/alert/mqtt"
	"faultkeep/store/capture"
)

var trip = capture.Alert{
	ID: "20261125-031207-bucket-elevator-k3fq/capture", Time: time.Date(2026, 11, 25, 2, 12, 7, 410_000_000, time.UTC),
	Kind: capture.KindCapture, Severity: capture.Alarm, Site: "Northquay grain terminal", Drive: "bucket-elevator", Title: "Bucket elevator",
	Fault:   capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1"},
	Capture: "20261125-031207-bucket-elevator-k3fq", Text: "Bucket elevator tripped: Continuous overcurrent, output 1 (2311). Kept whole.",
}

// hook lets everybody in, or as it says, and keeps what was published.
type hook struct {
	broker.HookBase
	password string
	answer   func(topic string) error // may be nil

	mu  sync.Mutex
	got []packets.Packet
}

func (*hook) ID() string { return "test" }
func (*hook) Provides(b byte) bool {
	return bytes.Contains([]byte{broker.OnConnectAuthenticate, broker.OnACLCheck, broker.OnPublish}, []byte{b})
}
func (h *hook) OnConnectAuthenticate(_ *broker.Client, p packets.Packet) bool {
	return h.password == "" || string(p.Connect.Username) == "faultkeep" && string(p.Connect.Password) == h.password
}
func (h *hook) OnACLCheck(*broker.Client, string, bool) bool { return true }
func (h *hook) OnPublish(_ *broker.Client, p packets.Packet) (packets.Packet, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.answer != nil {
		if err := h.answer(p.TopicName); err != nil {
			return p, err
		}
	}
	h.got = append(h.got, p)
	return p, nil
}

func (h *hook) on(topic string) (out []packets.Packet) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, p := range h.got {
		if p.TopicName == topic {
			out = append(out, p)
		}
	}
	return out
}

// serve runs a broker at address, and gives where it is and how to end it.
func serve(t *testing.T, address string, h *hook, cfg *tls.Config) (string, func()) {
	t.Helper()
	s := broker.New(&broker.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := s.AddHook(h, nil); err != nil {
		t.Fatal(err)
	}
	l := listeners.NewTCP(listeners.Config{ID: "t", Address: address, TLSConfig: cfg})
	if err := s.AddListener(l); err != nil {
		t.Fatal(err)
	}
	go func() { _ = s.Serve() }()
	var once sync.Once
	end := func() { once.Do(func() { _ = s.Close() }) }
	t.Cleanup(end)
	return l.Address(), end
}

func sink(at string) *mqtt.Sink { return with(mqtt.Config{Server: at, Security: "none"}) }

func with(cfg mqtt.Config) *mqtt.Sink {
	return mqtt.New(cfg, "http://edge-pc.northquay.example:8377", slog.New(slog.DiscardHandler))
}

// eventually waits for what the broker is told beside a call.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for range 1000 {
		if holds() {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatalf("never: %s", what)
}

func TestAlertArrives(t *testing.T) {
	h := &hook{}
	at, _ := serve(t, "127.0.0.1:0", h, nil)
	site := trip
	site.Drive = ""
	odd := trip
	odd.Drive = "a/b+#"
	for _, a := range []capture.Alert{trip, site, odd} {
		if err := sink(at).Send(t.Context(), a); err != nil {
			t.Fatal(err)
		}
	}
	for topic, n := range map[string]int{"faultkeep/alert/bucket-elevator": 1, "faultkeep/alert": 1, "faultkeep/alert/a-b--": 1, "faultkeep/status": 0} {
		if got := h.on(topic); len(got) != n {
			t.Fatalf("%s: %d messages, want %d", topic, len(got), n)
		}
	}
	p := h.on("faultkeep/alert/bucket-elevator")[0]
	if p.FixedHeader.Qos != 1 || p.FixedHeader.Retain || p.Properties.ContentType != mqtt.ContentType || p.ProtocolVersion != 5 {
		t.Errorf("%+v", p)
	}
	var e struct{ ID, Type, SpecVersion string }
	if err := json.Unmarshal(p.Payload, &e); err != nil || e.ID != trip.ID || e.Type != "faultkeep.capture.kept" || e.SpecVersion != "1.0" {
		t.Errorf("%v in %s", err, p.Payload)
	}
}

// Reason codes are those of MQTT 5.0, 3.4.2.1.
func TestReasonCodes(t *testing.T) {
	for code, refused := range map[packets.Code]bool{
		packets.ErrUnspecifiedError: false, packets.ErrNotAuthorized: false, packets.ErrQuotaExceeded: false,
		packets.ErrTopicNameInvalid: true, packets.ErrPayloadFormatInvalid: true,
	} {
		at, _ := serve(t, "127.0.0.1:0", &hook{answer: func(string) error { return code }}, nil)
		err := sink(at).Send(t.Context(), trip)
		if err == nil || alert.IsRefused(err) != refused || !strings.Contains(err.Error(), at) {
			t.Errorf("0x%02X: %v, refused %v", code.Code, err, alert.IsRefused(err))
		}
	}
}

func TestLoginOverTLS(t *testing.T) {
	keys := httptest.NewTLSServer(http.NotFoundHandler())
	defer keys.Close()
	ca := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: keys.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("FAULTKEEP_TEST_KEY", "s3cr3t-word")
	t.Setenv("FAULTKEEP_TEST_WRONG", "other-w0rd")
	h := &hook{password: "s3cr3t-word"}
	at, _ := serve(t, "127.0.0.1:0", h, &tls.Config{Certificates: keys.TLS.Certificates})
	cfg := mqtt.Config{Server: at, CAFile: ca, User: "faultkeep", PasswordEnv: "FAULTKEEP_TEST_KEY", Prefix: "northquay/fk", Timeout: strict.Duration(3 * time.Second)}
	if err := with(cfg).Send(t.Context(), trip); err != nil || len(h.on("northquay/fk/alert/bucket-elevator")) != 1 {
		t.Fatal(err)
	}
	wrong, strange := cfg, cfg
	wrong.PasswordEnv, strange.CAFile = "FAULTKEEP_TEST_WRONG", ""
	if err := with(wrong).Send(t.Context(), trip); err == nil || alert.IsRefused(err) || !strings.Contains(err.Error(), "bad user name or password") || strings.Contains(err.Error(), "w0rd") {
		t.Errorf("wrong password: %v", err)
	}
	if err := with(strange).Send(t.Context(), trip); err == nil || alert.IsRefused(err) || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("not trusted: %v", err)
	}
}

// A broker that says nothing, or never acknowledges, hasn't taken the alert.
func TestSilence(t *testing.T) {
	for name, talk := range map[string]string{"no CONNACK": "", "no PUBACK": "\x20\x03\x00\x00\x00", "not MQTT": "HTTP/1.1 400\r\n\r\n"} {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		go func() {
			for {
				c, err := l.Accept()
				if err != nil {
					return
				}
				go func() { defer c.Close(); _, _ = c.Write([]byte(talk)); _, _ = io.Copy(io.Discard, c) }()
			}
		}()
		err = with(mqtt.Config{Server: l.Addr().String(), Security: "none", Timeout: strict.Duration(300 * time.Millisecond)}).Send(t.Context(), trip)
		if err == nil || alert.IsRefused(err) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// plant is what stands, for tests.
type plant struct {
	mu      sync.Mutex
	states  []alert.State
	changed chan struct{}
}

func (p *plant) now() []alert.State {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.states)
}

func (p *plant) set(s alert.State) {
	p.mu.Lock()
	p.states = []alert.State{s}
	p.mu.Unlock()
	p.changed <- struct{}{}
}

// stand runs Stand until the test ends or the returned function is called.
func stand(t *testing.T, s *mqtt.Sink, p *plant) func() {
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); s.Stand(ctx, p.now, p.changed) }()
	end := func() { cancel(); <-done }
	t.Cleanup(end)
	return end
}

var armed = alert.State{Drive: "belt-3", Title: "Belt 3", Watched: true, State: capture.Armed, Since: trip.Time}

// last is the newest message on a topic, and whether it is retained.
func (h *hook) last(topic string) (string, bool) {
	got := h.on(topic)
	if len(got) == 0 {
		return "", false
	}
	p := got[len(got)-1]
	return string(p.Payload), p.FixedHeader.Retain
}

func TestStatesAreKeptCurrent(t *testing.T) {
	h := &hook{}
	at, _ := serve(t, "127.0.0.1:0", h, nil)
	p := &plant{states: []alert.State{armed}, changed: make(chan struct{}, 1)}
	s := sink(at)
	end := stand(t, s, p)
	eventually(t, "online, retained", func() bool { text, kept := h.last("faultkeep/status"); return text == "online" && kept })
	if text, kept := h.last("faultkeep/drive/belt-3"); !kept || !strings.Contains(text, `"watched":true,"state":"armed","since":"2026-11-25T02:12:07.41Z"`) {
		t.Errorf("%q", text)
	}
	blind := armed
	blind.Watched, blind.Fault = false, &trip.Fault
	p.set(blind)
	eventually(t, "not watched", func() bool {
		text, _ := h.last("faultkeep/drive/belt-3")
		return strings.Contains(text, `"watched":false`)
	})
	p.set(blind)
	if err := s.Send(t.Context(), trip); err != nil {
		t.Fatal(err)
	}
	end()
	if n := len(h.on("faultkeep/drive/belt-3")); n != 2 {
		t.Errorf("told %d times, though it changed once", n)
	}
	if text, kept := h.last("faultkeep/status"); text != "offline" || !kept {
		t.Errorf("at the end: %q", text)
	}
}

// A broker that was away for long, and comes back without its memory, hears of
// everything again, and alerts go on.
func TestBrokerComesBack(t *testing.T) {
	h := &hook{}
	at, stop := serve(t, "127.0.0.1:0", h, nil)
	p := &plant{states: []alert.State{armed}, changed: make(chan struct{}, 1)}
	s := with(mqtt.Config{Server: at, Security: "none", Timeout: strict.Duration(time.Second)})
	stand(t, s, p)
	eventually(t, "online", func() bool { text, _ := h.last("faultkeep/status"); return text == "online" })
	stop()
	for range 2 {
		if err := s.Send(t.Context(), trip); err == nil || alert.IsRefused(err) {
			t.Fatalf("nobody took it: %v", err)
		}
	}
	h = &hook{}
	serve(t, at, h, nil)
	eventually(t, "online again", func() bool { text, _ := h.last("faultkeep/status"); return text == "online" })
	if text, _ := h.last("faultkeep/drive/belt-3"); text == "" {
		t.Error("the state wasn't told again")
	}
	eventually(t, "the alert is taken", func() bool { return s.Send(t.Context(), trip) == nil })
	if len(h.on("faultkeep/alert/bucket-elevator")) == 0 {
		t.Error("taken, though it never arrived")
	}
}

func TestCheck(t *testing.T) {
	t.Setenv("FAULTKEEP_TEST_KEY", "s3cr3t-word")
	for _, c := range []struct {
		cfg  mqtt.Config
		want string
	}{
		{mqtt.Config{Server: "broker.northquay.example"}, ""},
		{mqtt.Config{Server: "[2001:db8::1]:8883", Prefix: "a/b", ClientID: "faultkeep-1", User: "u", PasswordEnv: "FAULTKEEP_TEST_KEY", Timeout: strict.Duration(time.Second)}, ""},
		{mqtt.Config{Server: "127.0.0.1", Security: "none", User: "u", PasswordEnv: "FAULTKEEP_TEST_KEY"}, ""},
		{mqtt.Config{Server: "192.0.2.1", Security: "none", User: "u", PasswordEnv: "FAULTKEEP_TEST_KEY"}, "security"},
		{mqtt.Config{}, "server"},
		{mqtt.Config{Server: "mqtt://x"}, "server"},
		{mqtt.Config{Server: "x:0"}, "server"},
		{mqtt.Config{Server: "x", Security: "ssl"}, "security"},
		{mqtt.Config{Server: "x", Prefix: "a/+"}, "prefix"},
		{mqtt.Config{Server: "x", Prefix: "$SYS"}, "prefix"},
		{mqtt.Config{Server: "x", Prefix: "a/"}, "prefix"},
		{mqtt.Config{Server: "x", ClientID: "a#"}, "client_id"},
		{mqtt.Config{Server: "x", PasswordEnv: "FAULTKEEP_TEST_KEY"}, "user"},
		{mqtt.Config{Server: "x", User: "u", PasswordFile: "/nonexistent/key"}, "password_file"},
		{mqtt.Config{Server: "x", User: "u", PasswordEnv: "FAULTKEEP_TEST_UNSET"}, "password_env"},
		{mqtt.Config{Server: "x", CAFile: "/nonexistent/ca"}, "ca_file"},
		{mqtt.Config{Server: "x", Security: "none", CAFile: "ca"}, "ca_file"},
		{mqtt.Config{Server: "x", Timeout: strict.Duration(time.Minute)}, "timeout"},
	} {
		var keys []string
		c.cfg.Check(func(key, _, _ string) { keys = append(keys, key) })
		if got := strings.Join(keys, " "); got != c.want {
			t.Errorf("%+v: %q, want %q", c.cfg, got, c.want)
		}
	}
}
