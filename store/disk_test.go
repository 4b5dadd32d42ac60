package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

const mib = 1 << 20

// volume is a volume whose free space a test sets.
type volume struct{ free int64 }

func (v *volume) measure(string) (int64, error) { return v.free, nil }

func (v *volume) limits() store.Limits {
	return store.Limits{Disk: store.DiskLimits{Warn: 1000 * mib, Drop: 200 * mib, Refuse: 10 * mib}, Measure: v.measure}
}

// disks are the alerts about the disk so far.
func disks(t *testing.T, s *store.Store) (out []capture.Alert) {
	t.Helper()
	for _, m := range must[[]store.Message](t)(s.Outbox(ctx, "log", 0)) {
		if m.Alert.Kind == capture.KindDisk {
			out = append(out, m.Alert)
		}
	}
	return out
}

func TestLowDiskInStages(t *testing.T) {
	now := &clock{storetest.Night.Add(100 * day)}
	s := storetest.New(t, storetest.To("log"), storetest.Now(func() time.Time { now.now = now.now.Add(time.Second); return now.now }))
	v := &volume{}
	at := func(free int64, want store.Stage) {
		t.Helper()
		v.free = free
		if err := s.Upkeep(ctx, v.limits()); err != nil {
			t.Fatal(err)
		}
		if got := s.Stage(); got != want {
			t.Errorf("with %d MiB: %v, want %v", free/mib, got, want)
		}
	}
	var c []capture.Capture
	for n := range 40 {
		c = append(c, old(t, s, "elevator", n, 8000))
	}
	at(5000*mib, store.Ample)
	at(1000*mib, store.Ample)
	if len(disks(t, s)) != 0 {
		t.Fatal("alerts while there is room")
	}
	at(999*mib, store.Warning)
	at(1200*mib, store.Warning) // a quarter more is wanted
	at(1250*mib, store.Ample)
	at(900*mib, store.Warning)
	sameIDs(t, s, c...)
	if a := disks(t, s); len(a) != 3 || a[0].Severity != capture.Warning || a[1].Severity != capture.Info ||
		!strings.HasPrefix(a[0].Text, "The disk that holds the store has 999 MiB left. Free some space:") {
		t.Errorf("alerts %+v", a)
	}

	// Dropping makes room inside the file: an eighth of what is in use.
	at(199*mib, store.Dropping)
	after := left(t, s)
	if n := len(after); n >= 40 || n < 20 || after[len(after)-1] != c[39].ID || after[0] == c[0].ID {
		t.Errorf("%d left, from %s to %s", n, after[0], after[n-1])
	}
	at(199*mib, store.Dropping)
	if again := left(t, s); len(again) != len(after) {
		t.Errorf("%d, then %d left: nothing new came", len(after), len(again))
	}
	at(30*mib, store.Sparing) // 4 × 10 MiB, counting what is free in the file
	if a := disks(t, s); len(a) != 5 || !strings.Contains(a[4].Text, "no recording is stored twice") {
		t.Errorf("alerts %+v", a)
	}

	// No new bulk, but everything else.
	at(0, store.Refusing)
	if a := disks(t, s); len(a) != 6 || a[5].Severity != capture.Alarm {
		t.Errorf("alerts %+v", a)
	}
	next, data := storetest.Recording("elevator", 9000, 4, 8000)
	d := must[*store.Draft](t)(s.Draft(ctx, next))
	for what, err := range map[string]error{
		"append": d.Append(ctx, storetest.Chunk(data, 0, 1000)),
		"keep":   failureOf(d.Keep(ctx, next, storetest.Chunk(data, 0, len(data)))),
	} {
		var e *store.Error
		if !errors.Is(err, store.ErrNoRoom) || !store.Full(err) || !errors.As(err, &e) || !strings.Contains(err.Error(), "Free some space") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", what, err)
		}
	}
	for _, err := range []error{
		s.Miss(ctx, capture.Miss{Time: now.now, Drive: "elevator", Fault: overcurrent, Cause: capture.CauseReset}, capture.Alarm),
		s.Blind(ctx, "belt", now.now, now.now, capture.CauseUnreachable, ""),
		s.Note(ctx, store.Entry{Kind: "wrote", Drive: "belt"}),
		s.Review(ctx, c[39].ID),
	} {
		if err != nil {
			t.Errorf("while recordings are refused: %v", err)
		}
	}
	at(9*mib-4*mib, store.Refusing)
	at(30*mib, store.Sparing) // it recovers by itself
	must[capture.Capture](t)(d.Keep(ctx, next, storetest.Chunk(data, 0, len(data))))
	at(100*mib, store.Dropping)
	at(400*mib, store.Warning)
	at(5000*mib, store.Ample)
	if a := disks(t, s); len(a) != 7 || a[6].Severity != capture.Info || !strings.Contains(a[6].Text, "enough again") {
		t.Errorf("alerts %+v", a)
	}
	lines := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Kinds: []string{store.KindDisk}}))
	if len(lines) != 10 {
		t.Errorf("%d lines in the ledger, want one for every change", len(lines))
	}
}

func failureOf[A any](_ A, err error) error { return err }

// After a restart the same isn't told again.
func TestStageIsRemembered(t *testing.T) {
	v := &volume{free: 500 * mib}
	s := storetest.New(t, storetest.To("log"))
	if err := s.Upkeep(ctx, v.limits()); err != nil {
		t.Fatal(err)
	}
	s = reopen(t, s, storetest.To("log"))
	if s.Stage() != store.Warning {
		t.Errorf("stage %v", s.Stage())
	}
	for range 3 {
		if err := s.Upkeep(ctx, v.limits()); err != nil {
			t.Fatal(err)
		}
	}
	if n := len(disks(t, s)); n != 1 {
		t.Errorf("%d alerts, want 1", n)
	}
}

// A stage that can't be written down holds, and is told when it can.
func TestStageThatCantBeTold(t *testing.T) {
	v := &volume{free: 1}
	s := storetest.New(t, storetest.To("log"))
	l := v.limits()
	l.Disk.Refuse = 100 * mib // beyond the room inside the file
	store.SetCommit(s, func(tx *bolt.Tx) error { _ = tx.Rollback(); return os.ErrClosed })
	if err := s.Upkeep(ctx, l); err == nil {
		t.Fatal("no error")
	}
	store.SetCommit(s, nil)
	if s.Stage() < store.Dropping {
		t.Errorf("stage %v", s.Stage())
	}
	for range 3 {
		if err := s.Upkeep(ctx, l); err != nil {
			t.Fatal(err)
		}
	}
	if a := disks(t, s); s.Stage() != store.Refusing || len(a) != 2 {
		t.Errorf("stage %v, alerts %+v", s.Stage(), a)
	}
}

// A volume that really is full, and later isn't.
func TestUpkeepOfAFullVolume(t *testing.T) {
	dir := storetest.SmallVolume(t, 24*mib)
	path := filepath.Join(dir, "faultkeep.db")
	s := must[*store.Store](t)(open(path))
	defer s.Close()
	l := store.Limits{Disk: store.DiskLimits{Warn: 16 * mib, Drop: 12 * mib, Refuse: mib}}
	kept := 0
	for n := range 600 { // 64 kB each: 38 MB in all
		if n%10 == 0 {
			if err := s.Upkeep(ctx, l); err != nil {
				t.Fatal(err)
			}
		}
		c, data := storetest.Recording("elevator", n, 4, 8000)
		d := must[*store.Draft](t)(s.Draft(ctx, c))
		if _, err := d.Keep(ctx, c, storetest.Chunk(data, 0, len(data))); err != nil {
			t.Fatalf("recording %d: %v", n, err)
		}
		kept++
	}
	if got := len(left(t, s)); got >= kept || got < 100 {
		t.Errorf("%d of %d are left", got, kept)
	}
	if report := must[store.Report](t)(s.Verify(ctx, nil)); !report.OK() {
		t.Error(report)
	}
}

// While the disk is nearly full, the same bytes aren't stored twice.
func TestTwinsShareTheirBytes(t *testing.T) {
	v := &volume{free: 30 * mib}
	s := storetest.New(t, storetest.To("log"))
	twin := func(n int, identity string) capture.Capture {
		t.Helper()
		c, data := storetest.Recording("elevator", 7, 4, 20000)
		c.ID, c.Provenance.Identity = "", identity
		c.Trigger.Time = storetest.Night.Add(time.Duration(n) * time.Hour)
		d := must[*store.Draft](t)(s.Draft(ctx, c))
		return must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, len(data)), capture.Chunk{Part: "header", Bytes: []byte("h")}))
	}
	_, data := storetest.Recording("elevator", 7, 4, 20000)
	mustRead := func(list ...capture.Capture) {
		t.Helper()
		for _, c := range list {
			if b, _, err := s.Original(ctx, c.ID, capture.Data); err != nil || !bytes.Equal(b, data) {
				t.Errorf("%s reads differently (%v)", c.ID, err)
			}
			if b, ok, err := s.Bytes(ctx, c.ID, capture.Data, 100, 50); err != nil || !ok || !bytes.Equal(b, data[100:150]) {
				t.Errorf("%s: bytes differ (%v)", c.ID, err)
			}
			if b, _, err := s.Original(ctx, c.ID, "header"); err != nil || string(b) != "h" {
				t.Errorf("%s: header %q (%v)", c.ID, b, err)
			}
		}
		if report := must[store.Report](t)(s.Verify(ctx, nil)); !report.OK() || report.Captures != len(list) {
			t.Errorf("verify of %d: %s", report.Captures, report)
		}
	}
	used := func() int64 { return must[store.Stats](t)(s.Stats(ctx)).Used }
	a, b := twin(0, "a"), twin(1, "b")
	if err := store.DropCapture(s, old(t, s, "elevator", -3, 20000).ID); err != nil { // so that there is room enough inside
		t.Fatal(err)
	}
	if b.Integrity.Same != "" {
		t.Fatal("bytes are shared while there is room")
	}
	if err := s.Upkeep(ctx, v.limits()); err != nil || s.Stage() != store.Sparing {
		t.Fatal(s.Stage(), err)
	}
	before := used()
	c, d, e := twin(2, "c"), twin(3, "d"), twin(4, "e")
	if more := used() - before; more > 60_000 {
		t.Errorf("three twins of 160 kB took %d bytes", more)
	}
	if c.Integrity.Same != b.ID || d.Integrity.Same != b.ID || c.Integrity.SHA256 != b.Integrity.SHA256 {
		t.Errorf("same as %s, %s; want %s", c.Integrity.Same, d.Integrity.Same, b.ID)
	}
	other := old(t, s, "elevator", 30, 20000)
	if other.Integrity.Same != "" {
		t.Error("other bytes are taken for the same")
	}
	mustRead2 := func(list ...capture.Capture) {
		t.Helper()
		if _, err := s.Get(ctx, other.ID); err == nil {
			if report := must[store.Report](t)(s.Verify(ctx, nil)); !report.OK() {
				t.Errorf("verify: %s", report)
			}
		}
		for _, c := range list {
			if b, _, err := s.Original(ctx, c.ID, capture.Data); err != nil || !bytes.Equal(b, data) {
				t.Errorf("%s reads differently (%v)", c.ID, err)
			}
		}
	}
	mustRead2(a, b, c, d, e)
	// Whoever holds the bytes may go: they stay with the others.
	drop := func(id capture.ID) {
		t.Helper()
		if err := store.DropCapture(s, id); err != nil {
			t.Fatal(err)
		}
	}
	drop(other.ID)
	drop(d.ID)
	mustRead(a, b, c, e)
	drop(b.ID)
	mustRead(a, c, e)
	if got := must[capture.Capture](t)(s.Get(ctx, e.ID)); got.Integrity.Same != c.ID {
		t.Errorf("e has its bytes in %q, want %s", got.Integrity.Same, c.ID)
	}
	s = reopen(t, s, storetest.To("log"))
	drop(c.ID)
	mustRead(a, e)
	drop(e.ID)
	drop(a.ID)
	mustRead()
}

// RunUpkeep looks every minute, and soon after a write was refused.
func TestRunUpkeep(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	synctest.Test(t, func(t *testing.T) {
		s := must[*store.Store](t)(open(path))
		var free, looked atomic.Int64
		free.Store(5000 * mib)
		l := (&volume{}).limits()
		l.Measure = func(folder string) (int64, error) {
			if folder != filepath.Dir(path) {
				t.Errorf("measured %s", folder)
			}
			if looked.Add(1) == 3 {
				return 0, fmt.Errorf("no such volume")
			}
			return free.Load(), nil
		}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { defer close(done); s.RunUpkeep(ctx, l) }()
		time.Sleep(5*time.Minute + time.Second)
		if n := looked.Load(); n != 6 {
			t.Errorf("looked %d times in 5 minutes", n)
		}
		free.Store(0)
		time.Sleep(time.Minute)
		if s.Stage() != store.Refusing {
			t.Errorf("stage %v", s.Stage())
		}
		free.Store(5000 * mib)
		time.Sleep(3 * time.Second)
		if s.Stage() != store.Ample {
			t.Errorf("stage %v three seconds after there is room", s.Stage())
		}
		stop()
		<-done
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	storetest.Check(t, path)
}
