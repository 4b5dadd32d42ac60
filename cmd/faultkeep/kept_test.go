package main

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"faultkeep/daemon/archive"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// TestKeptScripts runs the commands that read what was kept, as their users
// do. Beside testscript's own commands there are:
//
//	store DIR        makes a data folder with captures, a miss and a blind spell
//	flip DIR         damages the samples of one capture in it
//	await FILE       waits for a file that a program in the background makes
//	same FILE FILE   fails unless two files hold the same bytes
//	unread DIR       waits until something in a data folder is kept unread
//	python SCRIPT …  runs a script with the system's Python
func TestKeptScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script/kept",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("TZ", "UTC")
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"store":  func(ts *testscript.TestScript, _ bool, args []string) { ts.Check(fill(ts.MkAbs(args[0]))) },
			"flip":   func(ts *testscript.TestScript, _ bool, args []string) { ts.Check(spoil(ts.MkAbs(args[0]))) },
			"await":  await,
			"unread": func(ts *testscript.TestScript, _ bool, args []string) { awaitUnread(ts, ts.MkAbs(args[0])) },
			"same": func(ts *testscript.TestScript, neg bool, args []string) {
				if same := ts.ReadFile(args[0]) == ts.ReadFile(args[1]); same == neg {
					ts.Fatalf("%s and %s: the same is %v", args[0], args[1], same)
				}
			},
			"python": python,
		},
	})
}

func awaitUnread(ts *testscript.TestScript, folder string) {
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if a, err := archive.Open(context.Background(), folder); err == nil {
			list, err := a.Captures(context.Background(), archive.Query{Unread: true})
			_ = a.Close()
			if err == nil && len(list) > 0 {
				return
			}
		}
		if time.Now().After(end) {
			ts.Fatalf("nothing is kept unread within 20 s")
		}
	}
}

// fill makes a small store: a whole capture of the elevator and of the belt, a
// partial one of the elevator, one with hostile names, a miss and a blind spell.
func fill(folder string) error {
	ctx, night := context.Background(), storetest.Night
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return err
	}
	s, err := store.Open(ctx, store.Options{Path: filepath.Join(folder, archive.StoreFile), Site: "Northquay",
		Now: func() time.Time { return night.Add(2 * time.Hour) }})
	if err != nil {
		return err
	}
	keep := func(n int, drive string, change func(*capture.Capture), from, to int) error {
		c, data := storetest.Recording(drive, n, 3, 400)
		c.Channels[2].Name, c.Channels[2].Unit = "Current", "A"
		change(&c)
		d, err := s.Draft(ctx, c)
		if err != nil {
			return err
		}
		_, err = d.Keep(ctx, c, storetest.Chunk(data, from, to))
		return err
	}
	as := func(*capture.Capture) {} // as it is
	err = errors.Join(
		keep(0, "elevator", as, 0, 2400),
		keep(1, "belt", as, 0, 2400),
		keep(2, "elevator", func(c *capture.Capture) {
			c.Integrity = capture.Integrity{Size: c.Integrity.Size, Why: "The drive was reset in the middle of the pull"}
		}, 600, 2000),
		keep(3, "../../evil", func(c *capture.Capture) {
			c.Title, c.Fault.Name, c.Channels[0].Name = "evil\x1b]0;owned\x07\nrow", "a\tb\rc\u202ed", "=HYPERLINK(\"x\")"
			c.Channels[1] = capture.Channel{Name: "Status\x1b[2J", Role: capture.RoleDigital, Bits: []string{"ready\x1b[31m"}}
		}, 0, 2400),
		s.Watched(ctx, "belt", night), s.Blind(ctx, "belt", night.Add(10*time.Minute), night.Add(10*time.Minute), capture.CauseUnreachable, "no answer"),
		s.Watched(ctx, "belt", night.Add(time.Hour)),
		s.Miss(ctx, capture.Miss{Time: night.Add(90 * time.Second), Drive: "belt", Fault: capture.Fault{Code: 0x3221, Shown: "3221", Name: "DC link undervoltage 1"},
			Cause: capture.CauseReset, Text: "Reset 0.3 s after it was ready", Advice: "Hold the reset back 2 s"}, capture.Warning))
	return errors.Join(err, s.Close())
}

// spoil turns one byte of a capture's samples around.
func spoil(folder string) error {
	path := filepath.Join(folder, archive.StoreFile)
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	_, data := storetest.Recording("elevator", 0, 3, 400)
	at := strings.Index(string(b), string(data[:64]))
	if at < 0 {
		return errors.New("the samples aren't where they were looked for")
	}
	b[at+7] ^= 0xff
	return os.WriteFile(path, b, 0o600)
}

// systemPython isn't whichever comes first in the path, so that tests run the
// same everywhere.
const systemPython = "/usr/bin/python3"

func python(ts *testscript.TestScript, neg bool, args []string) {
	if _, err := os.Stat(systemPython); err != nil {
		if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
			ts.Fatalf("%v", err)
		}
		ts.Logf("skipped: there is no %s", systemPython)
		return
	}
	if err := ts.Exec(systemPython, args...); (err != nil) != neg {
		ts.Fatalf("python: %v", err)
	}
}

// peer finds a program that isn't ours, or skips the test.
func peer(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" && runtime.GOOS == "linux" {
		t.Fatal(err)
	}
	t.Skip("there is no ", name)
	return ""
}
