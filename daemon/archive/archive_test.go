package archive_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/web"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

var ctx = context.Background()

// later stands still, so that opening the store twice makes no blind spell.
func later() time.Time { return storetest.Night.Add(2 * time.Hour) }

type nobody struct{}

func (nobody) Drives() []web.DriveNow             { return nil }
func (nobody) Changes() (<-chan struct{}, func()) { return make(chan struct{}), func() {} }

// fill makes a data folder with captures, one of them partial, misses and spells.
func fill(t *testing.T) (folder string, caps []capture.Capture) {
	t.Helper()
	folder = t.TempDir()
	s, err := store.Open(ctx, store.Options{Path: filepath.Join(folder, archive.StoreFile), Site: "Northquay", Now: later})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for n := range 4 {
		caps = append(caps, storetest.Keep(t, s, []string{"elevator", "belt"}[n%2], n, 3, 400))
	}
	c, data := storetest.Recording("elevator", 9, 3, 400)
	d, err := s.Draft(ctx, c)
	if err != nil {
		t.Fatal(err)
	}
	c.Integrity = capture.Integrity{Size: c.Integrity.Size, Why: "reset"}
	c, err = d.Keep(ctx, c, storetest.Chunk(data, 600, 2000), storetest.Chunk(data, 2200, 2300), capture.Chunk{Part: "header", Bytes: []byte("head")})
	if err != nil {
		t.Fatal(err)
	}
	caps = append(caps, c)
	at := storetest.Night
	if _, err := s.KeepBrief(ctx, store.Brief{ID: "brief", Slot: at, From: at.Add(-time.Hour), To: at, Headline: "<Nothing>", Text: "<Nothing>\n", HTML: "<p>&lt;", JSON: `{"a":1}`}, capture.Alert{ID: "b"}, nil); err != nil {
		t.Fatal(err)
	}
	err = errors.Join(
		s.Watched(ctx, "belt", at), s.Blind(ctx, "belt", at.Add(time.Minute), at.Add(time.Minute), capture.CauseUnreachable, "no answer"), s.Watched(ctx, "belt", at.Add(time.Hour)),
		s.Miss(ctx, capture.Miss{Time: at.Add(2 * time.Hour), Drive: "belt", Fault: c.Fault, Cause: capture.CauseReset, Text: "reset"}, capture.Warning),
		s.Note(ctx, store.Entry{Time: at.Add(3 * time.Hour), Drive: "belt", Kind: "wrote", Text: "armed"}))
	if err != nil {
		t.Fatal(err)
	}
	return folder, caps
}

// daemon serves the folder's store as the daemon does, and tells of it.
func daemon(t *testing.T, folder string) *httptest.Server {
	t.Helper()
	h, _ := served(t, folder)
	return h
}

// serve does so until stop, which leaves the file to others.
func serve(t *testing.T, folder string) (stop func()) {
	t.Helper()
	h, s := served(t, folder)
	return func() {
		h.Close()
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
}

func served(t *testing.T, folder string) (*httptest.Server, *store.Store) {
	t.Helper()
	s, err := store.Open(ctx, store.Options{Path: filepath.Join(folder, archive.StoreFile), Now: later})
	if err != nil {
		t.Fatal(err)
	}
	const token = "0123456789abcdef"
	h := httptest.NewServer(web.New(web.Options{Token: token, Version: "test", Store: archive.Pages(s), Live: nobody{}}))
	t.Cleanup(func() { h.Close(); _ = s.Close() })
	if err := archive.WriteEndpointFile(folder, archive.Endpoint{Address: h.URL, Token: token, PID: os.Getpid(), Version: "test"}); err != nil {
		t.Fatal(err)
	}
	return h, s
}

// answers is everything an Archive says, in a form that can be compared.
func answers(t *testing.T, a archive.Archive, caps []capture.Capture) map[string]any {
	t.Helper()
	out := map[string]any{}
	note := func(name string, v any, err error) {
		if err != nil {
			var several *archive.Ambiguous
			out[name+" fails"] = []any{err.Error(), errors.Is(err, archive.ErrNotFound), errors.Is(err, archive.ErrDamaged), errors.As(err, &several), several}
			return
		}
		out[name] = v
	}
	for name, q := range map[string]archive.Query{
		"all": {}, "belt": {Drive: "belt"}, "limit": {Limit: 2}, "before": {Before: caps[3].ID}, "fault": {Fault: "2311"}, "other fault": {Fault: "9999"},
		"since": {Since: storetest.Night.Add(90 * time.Second)}, "until": {Until: storetest.Night.Add(90 * time.Second)}, "strange": {Drive: "?&=/ä%00", Fault: "<>"},
		"long ago": {Until: time.Date(1990, 1, 1, 0, 0, 0, 1, time.UTC)},
	} {
		v, err := a.Captures(ctx, q)
		note("captures "+name, v, err)
		m, err := a.Misses(ctx, q)
		note("misses "+name, m, err)
		s, err := a.Spells(ctx, q)
		note("spells "+name, s, err)
		l, err := a.Ledger(ctx, q)
		note("ledger "+name, l, err)
		if q.Until.IsZero() { // from then on only one of the two is running
			q.Until = later()
		}
		cover, err := a.Coverage(ctx, q)
		note("coverage "+name, cover, err)
	}
	for _, prefix := range []string{string(caps[0].ID), string(caps[0].ID)[:20], " " + string(caps[0].ID) + " ", "2026", "", " ", "1999", ".", "..", "../status", "a/b", "?", "#", "%2e", "é", "x\x00y"} {
		c, err := a.Find(ctx, prefix)
		note("find "+prefix, c, err)
		c, s, err := a.Samples(ctx, capture.ID(prefix))
		note("samples "+prefix, []any{c, bits(s)}, err)
	}
	for _, c := range caps {
		for _, part := range []string{"", capture.Data, "header", "nothing"} {
			b, have, err := a.Original(ctx, c.ID, part)
			note("original "+string(c.ID)+part, []any{b, have}, err)
		}
		got, s, err := a.Samples(ctx, c.ID)
		note("samples "+string(c.ID), []any{got, bits(s)}, err)
	}
	stands, err := a.Standing(ctx, storetest.Night)
	stands.Now, stands.Running, stands.Drives, stands.Store.Free = time.Time{}, false, nil, 0 // these differ by moment and by way
	note("standing", stands, err)
	for _, id := range []string{"", "brief", "none"} {
		b, err := a.Brief(ctx, id)
		b.Brief = bytes.TrimSpace(b.Brief)
		note("brief "+id, b, err)
	}
	last := 0
	r, err := a.Verify(ctx, func(done, total int) { last = total })
	r.Took = 0
	note("verify", []any{r, last}, err)
	_, err = a.Verify(ctx, nil)
	note("verify without progress", nil, err)
	return out
}

// bits makes series comparable, NaN and all.
func bits(series []capture.Series) [][]string {
	var out [][]string
	for _, s := range series {
		var one []string
		for _, v := range s {
			one = append(one, strings.TrimSpace(string(appendFloat(v))))
		}
		out = append(out, one)
	}
	return out
}

func TestBothWaysAreAlike(t *testing.T) {
	folder, caps := fill(t)
	a := open(t, folder)
	fromFile := answers(t, a, caps)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	h := daemon(t, folder)
	asked := 0
	inner := h.Config.Handler
	h.Config.Handler = counting(inner, &asked)
	a = open(t, folder)
	fromDaemon := answers(t, a, caps)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	if asked < 50 {
		t.Fatalf("the daemon was asked %d times: this compares the file with itself", asked)
	}
	if d := cmp.Diff(fromFile, fromDaemon); d != "" {
		t.Errorf("file (−) and daemon (+) differ:\n%s", d)
	}

	// And they are right.
	if b := fromFile["brief "].(archive.Brief); b.ID != "brief" || b.Text != "<Nothing>\n" || string(b.Brief) != `{"a":1}` {
		t.Errorf("%+v", b)
	}
	if got := fromFile["captures all"].([]capture.Capture); len(got) != 5 || got[0].ID != caps[4].ID {
		t.Errorf("%d captures", len(got))
	}
	if got := fromFile["captures belt"].([]capture.Capture); len(got) != 2 || got[0].Drive != "belt" {
		t.Errorf("%d captures of the belt", len(got))
	}
	entries := fromFile["ledger all"].([]archive.Entry)
	if e := entries[0]; e.Kind != "wrote" {
		t.Errorf("newest entry %+v", e)
	}
	if got := fromFile["misses belt"].([]capture.Miss); len(got) != 1 {
		t.Errorf("%d misses", len(got))
	}
	if got := fromFile["spells belt"].([]capture.Spell); len(got) != 1 || got[0].To.Sub(got[0].From) != 59*time.Minute {
		t.Errorf("spells %+v", got)
	}
	for _, name := range []string{"find  fails", "find 1999 fails", "find ../status fails", "samples 2026 fails", "samples " + string(caps[0].ID)[:20] + " fails"} {
		if _, ok := fromFile[name]; !ok {
			t.Errorf("no %q", name)
		}
	}
	if e := fromFile["find 2026 fails"].([]any); e[3] != true {
		t.Errorf("2026 is %v", e)
	}
}

func open(t *testing.T, folder string) archive.Archive {
	t.Helper()
	a, err := archive.Open(ctx, folder)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// A daemon that died leaves its file behind; what it kept is read all the same.
func TestDeadDaemon(t *testing.T) {
	folder, caps := fill(t)
	h := httptest.NewServer(nil)
	dead := h.URL
	h.Close()
	other := httptest.NewServer(web.New(web.Options{Token: "another daemon's", Store: nil, Live: nobody{}})) // has the port now
	defer other.Close()
	for name, write := range map[string]func() error{
		"dead": func() error { return archive.WriteEndpointFile(folder, archive.Endpoint{Address: dead, Token: "x"}) },
		"another's": func() error {
			return archive.WriteEndpointFile(folder, archive.Endpoint{Address: other.URL, Token: "x"})
		},
		"no address": func() error {
			return archive.WriteEndpointFile(folder, archive.Endpoint{Address: "file:///etc", Token: "x"})
		},
		"half a file": func() error {
			return os.WriteFile(filepath.Join(folder, "daemon.json"), []byte(`{"address": "htt`), 0o600)
		},
		"an empty one": func() error { return os.WriteFile(filepath.Join(folder, "daemon.json"), nil, 0o600) },
	} {
		t.Run(name, func(t *testing.T) {
			if err := write(); err != nil {
				t.Fatal(err)
			}
			a := open(t, folder)
			defer a.Close()
			if got, err := a.Captures(ctx, archive.Query{}); err != nil || len(got) != len(caps) {
				t.Errorf("%d captures, %v", len(got), err)
			}
		})
	}
}

// The store says itself who holds its file, or that there is none.
func TestStoreCannotBeOpened(t *testing.T) {
	folder, _ := fill(t)
	s, err := store.Open(ctx, store.Options{Path: filepath.Join(folder, archive.StoreFile)})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := archive.Open(ctx, folder); !errors.Is(err, store.ErrInUse) {
		t.Errorf("locked: %v", err)
	}
	empty := t.TempDir()
	if _, err := archive.Open(ctx, empty); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), empty) {
		t.Errorf("missing: %v", err)
	}
}

// A daemon that dies in the middle of a command is an error in words, not a short answer.
func TestDaemonDiesInTheMiddle(t *testing.T) {
	folder, caps := fill(t)
	h := daemon(t, folder)
	a := open(t, folder)
	defer a.Close()
	h.CloseClientConnections()
	h.Close()
	for name, err := range map[string]error{
		"captures": second(a.Captures(ctx, archive.Query{})), "find": second(a.Find(ctx, "2026")),
		"backup": a.(archive.Care).Backup(ctx, io.Discard, func(int64) {}), "compact": second(a.(archive.Care).Compact(ctx, nil)),
		"verify": second(a.Verify(ctx, nil)), "samples": third(a.Samples(ctx, caps[0].ID)),
	} {
		if err == nil || !strings.Contains(err.Error(), "doesn't answer any more") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestEndpointFile(t *testing.T) {
	folder := t.TempDir()
	want := archive.Endpoint{Address: "http://127.0.0.1:8417", Token: "secret", PID: 7, Version: "1"}
	for range 2 { // over an old one too
		if err := archive.WriteEndpointFile(folder, want); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := archive.ReadEndpointFile(folder); err != nil || got != want {
		t.Errorf("%+v, %v", got, err)
	}
	info, err := os.Stat(filepath.Join(folder, "daemon.json"))
	if err != nil {
		t.Fatal(err)
	}
	if runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v: others can read the token", info.Mode())
	}
	if all, _ := os.ReadDir(folder); len(all) != 1 {
		t.Errorf("leftovers: %v", all)
	}
	for range 2 {
		if err := archive.RemoveEndpointFile(folder); err != nil {
			t.Error(err)
		}
	}
	if err := archive.WriteEndpointFile(filepath.Join(folder, "gone"), want); err == nil || !strings.Contains(err.Error(), "commands can't be told") {
		t.Error(err)
	}
}

// A backup that is cut off in the middle is an error, not a short backup.
func TestBackupCutOff(t *testing.T) {
	folder, _ := fill(t)
	h := daemon(t, folder)
	inner := h.Config.Handler
	h.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/api/v1/backup" {
			w = &short{w, 20000}
		}
		inner.ServeHTTP(w, r)
	})
	a := open(t, folder)
	defer a.Close()
	got, size := 0, int64(0)
	err := a.(archive.Care).Backup(ctx, writer(func(b []byte) { got += len(b) }), func(n int64) { size = n })
	if err == nil || !strings.Contains(err.Error(), "doesn't answer any more") || size <= int64(got) {
		t.Errorf("%d of %d: %v", got, size, err)
	}
	if left, _ := filepath.Glob(filepath.Join(folder, "*.backup*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// short is a connection that breaks after some bytes.
type short struct {
	http.ResponseWriter
	left int
}

func (s *short) Write(b []byte) (int, error) {
	n, _ := s.ResponseWriter.Write(b[:min(len(b), s.left)])
	if s.left -= n; s.left == 0 {
		s.ResponseWriter.(http.Flusher).Flush()
		return n, errors.New("broken")
	}
	return n, nil
}

type writer func([]byte)

func (w writer) Write(b []byte) (int, error) { w(b); return len(b), nil }
