//go:build unix

package main

import (
	"context"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// systemd is the other end of sd_notify(3): a datagram socket.
func systemd(t *testing.T) (path string, got chan string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	got = make(chan string, 1000)
	go func() {
		b := make([]byte, 4096)
		for {
			n, err := c.Read(b)
			if err != nil {
				close(got)
				return
			}
			got <- string(b[:n])
		}
	}()
	return path, got
}

func hears(t *testing.T, got chan string, text string) {
	t.Helper()
	late := time.After(20 * time.Second)
	for {
		select {
		case s := <-got:
			if strings.Contains(s, text) {
				return
			}
		case <-late:
			t.Fatalf("%s was not said within 20 s", text)
		}
	}
}

func TestAHungWatchStarvesTheWatchdog(t *testing.T) {
	path, got := systemd(t)
	n := newNotifier(func(name string) string {
		return map[string]string{"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "30000"}[name] // 30 ms
	})
	var hangs atomic.Bool
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	go n.feed(ctx, func() []string {
		if hangs.Load() {
			return []string{"elevator"}
		}
		return nil
	}, slog.New(slog.DiscardHandler))
	hears(t, got, "WATCHDOG=1")
	hears(t, got, "WATCHDOG=1")
	hangs.Store(true)
	hears(t, got, "STATUS=Watching hangs: elevator")
	select { // nothing more, for many times the interval
	case s := <-got:
		t.Errorf("%q was said while a watch hangs", s)
	case <-time.After(300 * time.Millisecond):
	}
	hangs.Store(false)
	hears(t, got, "WATCHDOG=1")
}

func TestWatchdogOfAnotherProcess(t *testing.T) {
	for pid, fed := range map[string]bool{"": true, "1": false} {
		n := newNotifier(func(name string) string {
			return map[string]string{"NOTIFY_SOCKET": "x", "WATCHDOG_USEC": "30000000", "WATCHDOG_PID": pid}[name]
		})
		if (n.within > 0) != fed {
			t.Errorf("WATCHDOG_PID=%q: %v", pid, n.within)
		}
	}
}

// What systemd is told over a life: ready, alive, reloading, ready, stopping.
func TestSystemdIsTold(t *testing.T) {
	path, got := systemd(t)
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "300000")
	folder := t.TempDir()
	file := filepath.Join(folder, "faultkeep.yaml")
	text := "data: " + filepath.Join(folder, "data") + "\nweb: {listen: \"127.0.0.1:0\"}\ndrives:\n  - {name: fan, address: \"127.0.0.1:1\", map: builtin:generic-block}\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	done := make(chan error, 1)
	go func() { done <- runDaemon(ctx, file, &lines{}, nil) }()
	hears(t, got, "READY=1")
	hears(t, got, "WATCHDOG=1") // an unreachable drive is no hung watch
	var c reloadCommand
	c.Config = file
	if err := c.Run(ctx, output{&lines{}, &lines{}}); err != nil {
		t.Fatal(err)
	}
	hears(t, got, "RELOADING=1")
	hears(t, got, "READY=1")
	hears(t, got, "WATCHDOG=1")
	stop()
	hears(t, got, "STOPPING=1")
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}
