package file_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/event"
	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/alert"
	"faultkeep/daemon/alert/file"
	"faultkeep/store/capture"
)

func about(id string) capture.Alert {
	return capture.Alert{ID: id, Time: time.Date(2026, 11, 25, 3, 12, 7, 0, time.UTC), Kind: capture.KindCapture,
		Severity: capture.Alarm, Drive: "bucket-elevator", Text: "Bucket elevator tripped:\nkept whole."}
}

// events are the IDs in a file, each line read and validated by the
// CloudEvents project's own Go library.
func events(t *testing.T, path string) []string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for lines := bufio.NewScanner(bytes.NewReader(b)); lines.Scan(); {
		var e event.Event
		if err := e.UnmarshalJSON(lines.Bytes()); err != nil {
			ids = append(ids, "unreadable")
			continue
		}
		if err := e.Validate(); err != nil {
			t.Error(err)
		}
		ids = append(ids, e.ID())
	}
	return ids
}

func send(t *testing.T, s *file.Sink, ids ...string) {
	t.Helper()
	for _, id := range ids {
		if err := s.Send(t.Context(), about(id)); err != nil {
			t.Fatal(err)
		}
	}
}

func TestAppendsOneEventALine(t *testing.T) {
	path := filepath.Join(t.TempDir(), "alerts.jsonl")
	send(t, file.New(file.Config{Path: path}, ""), "a1", "a2")
	send(t, file.New(file.Config{Path: path}, ""), "a3") // after a restart
	if diff := cmp.Diff([]string{"a1", "a2", "a3"}, events(t, path)); diff != "" {
		t.Error(diff)
	}
}

func TestTornLineSpoilsNoOther(t *testing.T) {
	path := filepath.Join(t.TempDir(), "alerts.jsonl")
	if err := os.WriteFile(path, []byte(`{"specversion":"1.`), 0o600); err != nil {
		t.Fatal(err)
	}
	send(t, file.New(file.Config{Path: path}, ""), "a1")
	if diff := cmp.Diff([]string{"unreadable", "a1"}, events(t, path)); diff != "" {
		t.Error(diff)
	}
}

func TestFolderGoneForAWhile(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "share")
	path := filepath.Join(dir, "alerts.jsonl")
	s := file.New(file.Config{Path: path}, "")
	err := s.Send(t.Context(), about("a1"))
	if err == nil || alert.IsRefused(err) || !strings.HasPrefix(err.Error(), "the folder of "+path+" isn't there; make it, or mount it") {
		t.Errorf("without its folder: %v", err)
	}
	if _, err := os.Stat(dir); err == nil {
		t.Error("made the folder: alerts would lie under a mount point")
	}
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	send(t, s, "a1")
	if diff := cmp.Diff([]string{"a1"}, events(t, path)); diff != "" {
		t.Error(diff)
	}
}

// The bound holds, no line is cut, and what stays are the newest in order.
func TestRotation(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "alerts.jsonl")
	const size, keep = 2000, 2
	s := file.New(file.Config{Path: path, Size: size, Keep: keep}, "")
	var want []string
	for i := range 60 {
		want = append(want, fmt.Sprintf("a%02d", i))
	}
	send(t, s, want...)
	var got []string
	for _, name := range []string{path + ".2", path + ".1", path} {
		if info, err := os.Stat(name); err != nil || info.Size() > size {
			t.Errorf("%s: %v, %v", name, info, err)
		}
		got = append(got, events(t, name)...)
	}
	if len(got) < 8 || len(got) > len(want) {
		t.Fatalf("%d alerts left", len(got))
	}
	if diff := cmp.Diff(want[len(want)-len(got):], got); diff != "" {
		t.Error(diff)
	}
	if left, _ := os.ReadDir(dir); len(left) != keep+1 {
		t.Errorf("%d files, want %d", len(left), keep+1)
	}
}

func TestNotAFile(t *testing.T) {
	dir := t.TempDir()
	if err := file.New(file.Config{Path: dir}, "").Send(t.Context(), about("a1")); err == nil {
		t.Error("wrote into a folder")
	}
}

func TestEndedContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	path := filepath.Join(t.TempDir(), "alerts.jsonl")
	s := file.New(file.Config{Path: path}, "")
	for range 20 { // either it was written or it wasn't, and the turn is given back
		_ = s.Send(ctx, about("a0"))
	}
	send(t, s, "a1")
}

func TestCheck(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		cfg  file.Config
		want string
	}{
		{file.Config{Path: filepath.Join(dir, "a")}, ""},
		{file.Config{Path: filepath.Join(dir, "absent", "a"), Size: 1 << 20, Keep: 1}, ""},
		{file.Config{}, "path: is missing; name the file that alerts are appended to, in a folder that exists"},
		{file.Config{Path: dir}, "path: is not a file; name a file in that folder, such as alerts.jsonl"},
		{file.Config{Path: "a", Size: 1 << 10}, "size: 1KiB is not between 64KiB and 1GiB; leave it out for 10MiB"},
		{file.Config{Path: "a", Size: 2 << 30}, "size: 2GiB is not between 64KiB and 1GiB; leave it out for 10MiB"},
		{file.Config{Path: "a", Keep: -1}, "keep: -1 is not between 1 and 100; leave it out for 5"},
		{file.Config{Path: "a", Keep: 101}, "keep: 101 is not between 1 and 100; leave it out for 5"},
	} {
		var said []string
		c.cfg.Check(func(key, text, hint string) { said = append(said, key+": "+text+"; "+hint) })
		if got := strings.Join(said, "\n"); got != c.want {
			t.Errorf("%+v: %s; want %s", c.cfg, got, c.want)
		}
	}
}
