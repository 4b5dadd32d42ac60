package logs_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/logs"
)

// said are the lines of a log in JSON, without their times.
func said(t *testing.T, b *bytes.Buffer) []string {
	t.Helper()
	var out []string
	for line := range strings.Lines(b.String()) {
		var m map[string]any
		if err := json.Unmarshal([]byte(line), &m); err != nil {
			t.Fatalf("%q is no line of JSON: %v", line, err)
		}
		text := fmt.Sprint(m["level"], " ", m["msg"])
		for _, key := range []string{"drive", "error", "repeated", "event_log"} {
			if v, ok := m[key]; ok {
				text += fmt.Sprintf(" %s=%v", key, v)
			}
		}
		out = append(out, text)
	}
	return out
}

func TestRepeatsAreCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b bytes.Buffer
		log, end := logs.New(&b, logs.Options{JSON: true})
		defer end()
		belt := log.With("drive", "belt-2")
		for i := range 100 {
			belt.Warn("no answer", "error", i) // what differs is no source
		}
		log.Warn("no answer", "drive", "belt-3") // another source
		belt.Error("no answer")                  // another level
		belt.Warn("an answer")                   // another text
		time.Sleep(61 * time.Second)
		synctest.Wait()
		belt.Warn("no answer", "error", "again")
		var want []string
		for i := range 10 {
			want = append(want, fmt.Sprintf("WARN no answer drive=belt-2 error=%d", i))
		}
		want = append(want, "WARN no answer drive=belt-3", "ERROR no answer drive=belt-2", "WARN an answer drive=belt-2",
			"WARN no answer drive=belt-2 error=99 repeated=90", "WARN no answer drive=belt-2 error=again")
		if diff := cmp.Diff(want, said(t, &b)); diff != "" {
			t.Error(diff)
		}
	})
}

// What is still counted at the end is told, and nothing after it is lost.
func TestEndTellsWhatIsCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b bytes.Buffer
		log, end := logs.New(&b, logs.Options{JSON: true})
		for range 15 {
			log.Info("tick")
		}
		end()
		log.Info("after")
		lines := said(t, &b)
		if diff := cmp.Diff([]string{"INFO tick repeated=5", "INFO after"}, lines[10:]); diff != "" {
			t.Error(diff)
		}
	})
}

// However many different messages there are, none is lost, and only so many
// are counted: memory is bounded.
func TestManyMessages(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b bytes.Buffer
		log, end := logs.New(&b, logs.Options{JSON: true})
		defer end()
		for i := range 5000 {
			log.Info("message", "drive", i)
		}
		for range 20 { // one of those that aren't counted
			log.Info("message", "drive", 4999)
		}
		if n := len(said(t, &b)); n != 5020 {
			t.Errorf("%d lines", n)
		}
	})
}

func TestFromManySides(t *testing.T) {
	var b bytes.Buffer
	log, end := logs.New(&b, logs.Options{JSON: true})
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			for range 100 {
				log.Info("tick")
			}
		})
	}
	all.Wait()
	end()
	lines := said(t, &b)
	if len(lines) != 11 || lines[10] != "INFO tick repeated=790" {
		t.Errorf("%q", lines)
	}
}

type eventLog struct{ said []string }

func (e *eventLog) add(kind string, v []any) error {
	e.said = append(e.said, kind+": "+fmt.Sprint(v...))
	return errors.New("it is full")
}
func (e *eventLog) Info(v ...any) error    { return e.add("info", v) }
func (e *eventLog) Warning(v ...any) error { return e.add("warning", v) }
func (e *eventLog) Error(v ...any) error   { return e.add("error", v) }

// The system's own log has starts, stops and failures, and nothing else.
func TestEvents(t *testing.T) {
	var b bytes.Buffer
	var e eventLog
	log, end := logs.New(&b, logs.Options{JSON: true, Level: slog.LevelWarn, Events: &e})
	defer end()
	log.Info("watching", logs.Event())
	log.Info("a page was asked for")
	log.Warn("a login was refused")
	log.With("drive", "belt-2").Error("the ledger does not take an entry", "error", "disk\r\nfull")
	want := []string{"info: watching", "error: the ledger does not take an entry\r\ndrive: belt-2\r\nerror: disk  full"}
	if diff := cmp.Diff(want, e.said); diff != "" {
		t.Error(diff)
	}
	lines := []string{"WARN a login was refused", "ERROR the ledger does not take an entry drive=belt-2 error=disk\r\nfull"}
	if diff := cmp.Diff(lines, said(t, &b)); diff != "" {
		t.Error(diff)
	}
}

func TestTheMarkIsNotSaid(t *testing.T) {
	for _, json := range []bool{true, false} {
		var b bytes.Buffer
		log, end := logs.New(&b, logs.Options{JSON: json})
		log.Info("watching", logs.Event())
		end()
		if s := b.String(); strings.Contains(s, "event_log") || !strings.Contains(s, "watching") {
			t.Error(s)
		}
	}
}

// The bound holds, no line is cut, and what stays are the newest in order.
func TestFileIsPutAside(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "faultkeep.log")
	const size, keep = 1000, 2
	var want []string
	for i := range 100 {
		log, end := logs.New(&bytes.Buffer{}, logs.Options{Path: path, Size: size, Keep: keep})
		log.Info(fmt.Sprintf("m%02d", i))
		end()
		want = append(want, fmt.Sprintf("m%02d", i))
	}
	var got []string
	for _, name := range []string{path + ".2", path + ".1", path} {
		b, err := os.ReadFile(name)
		if err != nil || len(b) > size || len(b) < size/3 && name != path {
			t.Errorf("%s: %d bytes, %v", name, len(b), err)
		}
		for line := range strings.Lines(string(b)) {
			_, text, _ := strings.Cut(line, "msg=")
			got = append(got, strings.TrimSpace(text))
		}
	}
	if diff := cmp.Diff(want[len(want)-len(got):], got); diff != "" || len(got) < 20 {
		t.Error(len(got), diff)
	}
	if left, _ := os.ReadDir(dir); len(left) != keep+1 {
		t.Errorf("%d files, want %d", len(left), keep+1)
	}
}

// A file that can't be written stops nothing; it is told once, and once when
// it is well again.
func TestFileThatFails(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "gone")
	path := filepath.Join(dir, "faultkeep.log")
	var b bytes.Buffer
	log, end := logs.New(&b, logs.Options{Path: path, Size: 1 << 20, Keep: 1})
	defer end()
	log.Info("one")
	log.Info("two")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	log.Info("three")
	if runtime.GOOS == "windows" {
		return // nobody can move a file there that is open
	}
	if err := os.Rename(path, path+".moved"); err != nil { // by whoever collects logs
		t.Fatal(err)
	}
	log.Info("four")
	if n := strings.Count(b.String(), "can't be written"); n != 1 || strings.Count(b.String(), "is written again") != 1 || strings.Count(b.String(), "level=INFO") != 4 {
		t.Error(b.String())
	}
	file, err := os.ReadFile(path)
	if err != nil || strings.Count(string(file), "\n") != 1 || !strings.Contains(string(file), "four") {
		t.Errorf("%s %v", file, err)
	}
}

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errors.New("there is no standard error") }

// A service on Windows has no standard error, and its file is written all the same.
func TestWithoutStandardError(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.log")
	log, end := logs.New(broken{}, logs.Options{Path: path, Size: 1 << 20, Keep: 1})
	log.Info("one")
	end()
	if b, err := os.ReadFile(path); err != nil || !strings.Contains(string(b), "one") {
		t.Errorf("%s %v", b, err)
	}
}
