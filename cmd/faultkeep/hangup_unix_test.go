//go:build unix

package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// lines is a log that can be read while it is written.
type lines struct {
	mu sync.Mutex
	b  strings.Builder
}

func (l *lines) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func (l *lines) await(t *testing.T, text string) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !strings.Contains(l.String(), text); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%q did not come within 20 s: %s", text, l)
		}
	}
}

func TestHangupReadsTheConfigAgain(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "faultkeep.yaml")
	write := func(level string) {
		text := fmt.Sprintf("data: %s\nweb: {listen: \"127.0.0.1:0\"}\nlog: {level: %s}\ndrives:\n  - {name: fan, address: \"192.0.2.11\", map: builtin:generic-block}\n", filepath.Join(folder, "data"), level)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("info")
	log := &lines{}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- runDaemon(ctx, path, log, nil) }()
	log.await(t, "watching")
	write("loud")
	if err := syscall.Kill(os.Getpid(), syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	log.await(t, "the config as it was stays in force")
	write("debug")
	if err := syscall.Kill(os.Getpid(), syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	log.await(t, "the config file was read again")
	stop()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}
