package mqtt_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"faultkeep/daemon/alert"
	"faultkeep/daemon/alert/mqtt"
	"faultkeep/sources/sourcetest"
)

// mosquitto is a broker that isn't ours, and a line for each message that its
// own client reads there: topic, QoS, retained, content type, payload.
func mosquitto(t *testing.T) (at string, lines func() []string) {
	t.Helper()
	server, reader := sourcetest.Need(t, "mosquitto"), sourcetest.Need(t, "mosquitto_sub")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at = l.Addr().String()
	_, port, _ := net.SplitHostPort(at)
	l.Close()
	file := filepath.Join(t.TempDir(), "mosquitto.conf")
	if err := os.WriteFile(file, fmt.Appendf(nil, "listener %s 127.0.0.1\nallow_anonymous true\n", port), 0o600); err != nil {
		t.Fatal(err)
	}
	run := func(name string, args ...string) *exec.Cmd {
		cmd := exec.Command(name, args...)
		t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
		return cmd
	}
	if err := run(server, "-c", file).Start(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "mosquitto listens", func() bool {
		c, err := net.Dial("tcp", at)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	sub := run(reader, "-V", "5", "-h", "127.0.0.1", "-p", port, "-q", "1", "-t", "faultkeep/#", "-t", "probe", "-F", "%t|%q|%r|%C|%p")
	out, err := sub.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := sub.Start(); err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var got []string
	go func() {
		for s := bufio.NewScanner(out); s.Scan(); {
			mu.Lock()
			got = append(got, s.Text())
			mu.Unlock()
		}
	}()
	lines = func() []string { mu.Lock(); defer mu.Unlock(); return append([]string(nil), got...) }
	pub := sourcetest.Need(t, "mosquitto_pub")
	eventually(t, "mosquitto_sub listens", func() bool {
		_ = exec.Command(pub, "-h", "127.0.0.1", "-p", port, "-t", "probe", "-m", "x").Run()
		return len(lines()) > 0
	})
	return at, lines
}

func has(lines []string, begin string) bool {
	for _, l := range lines {
		if strings.HasPrefix(l, begin) {
			return true
		}
	}
	return false
}

// What mosquitto's own client reads of alerts and states; and when the
// connection breaks off as it does when faultkeep is killed, the will.
func TestMosquitto(t *testing.T) {
	at, lines := mosquitto(t)
	through, cut := relay(t, at)
	s := sink(through)
	p := &plant{states: []alert.State{armed}, changed: make(chan struct{}, 1)}
	stand(t, s, p)
	eventually(t, "online", func() bool { return has(lines(), "faultkeep/status|1|0|text/plain|online") })
	if !has(lines(), `faultkeep/drive/belt-3|1|0|application/json|{"drive":"belt-3"`) {
		t.Errorf("%q", lines())
	}
	if err := s.Send(t.Context(), trip); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the alert", func() bool {
		return has(lines(), `faultkeep/alert/bucket-elevator|1|0|application/cloudevents+json; charset=utf-8|{"specversion":"1.0","id":"`+trip.ID)
	})
	cut()
	eventually(t, "the will", func() bool { return has(lines(), "faultkeep/status|1|0||offline") })

	// Who comes later finds what stands: retained.
	_, port, _ := net.SplitHostPort(at)
	out, err := exec.Command(sourcetest.Need(t, "mosquitto_sub"), "-V", "5", "-h", "127.0.0.1", "-p", port, "-t", "faultkeep/#", "-C", "2", "-W", "10", "-F", "%t|%r|%p").Output()
	if err != nil || !strings.Contains(string(out), "faultkeep/status|1|offline") || !strings.Contains(string(out), "faultkeep/drive/belt-3|1|{") {
		t.Errorf("%v: %s", err, out)
	}
}

// relay passes connections on to a server until they are cut, for good.
func relay(t *testing.T, to string) (at string, cut func()) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var open []net.Conn
	cut = func() {
		l.Close()
		mu.Lock()
		defer mu.Unlock()
		for _, c := range open {
			c.Close()
		}
	}
	t.Cleanup(cut)
	go func() {
		for {
			here, err := l.Accept()
			if err != nil {
				return
			}
			there, err := net.DialTimeout("tcp", to, 5*time.Second)
			if err != nil {
				here.Close()
				continue
			}
			mu.Lock()
			open = append(open, here, there)
			mu.Unlock()
			go func() { _, _ = io.Copy(there, here); there.Close() }()
			go func() { _, _ = io.Copy(here, there); here.Close() }()
		}
	}()
	return l.Addr().String(), cut
}

// The heartbeat as mosquitto's own client reads it: a time, not retained.
func TestHeartbeatOfMosquitto(t *testing.T) {
	at, lines := mosquitto(t)
	s := mqtt.New(mqtt.Config{Server: at, Security: "none"}, "", slog.New(slog.DiscardHandler))
	if err := s.Beat(t.Context()); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the heartbeat", func() bool { return has(lines(), "faultkeep/heartbeat|1|0|text/plain|20") })
	gone := mqtt.New(mqtt.Config{Server: "127.0.0.1:1", Security: "none"}, "", slog.New(slog.DiscardHandler))
	ctx, stop := context.WithTimeout(t.Context(), 2*time.Second)
	defer stop()
	if err := gone.Beat(ctx); err == nil {
		t.Error("a broker that isn't there was told")
	}
}
