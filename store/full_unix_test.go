//go:build !windows

package store_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// fullVolume keeps until nothing fits any more, then makes room and goes on.
func fullVolume(t *testing.T, path string, makeRoom func()) {
	s := must[*store.Store](t)(open(path))
	defer s.Close()
	var kept []int
	var full error
	for n := 0; n < 500 && full == nil; n++ {
		c, data := storetest.Recording("elevator", n, 4, 8000)
		d := must[*store.Draft](t)(s.Draft(ctx, c))
		if err := d.Append(ctx, storetest.Chunk(data, 0, 30000)); err != nil {
			full = err
			break
		}
		if _, full = d.Keep(ctx, c, storetest.Chunk(data, 0, len(data))); full == nil {
			kept = append(kept, n)
		}
	}
	var e *store.Error
	if full == nil || !store.Full(full) || !errors.As(full, &e) || !strings.Contains(full.Error(), "Free some space") {
		t.Fatalf("a full volume: %v", full)
	}
	if strings.Contains(full.Error(), "\n") {
		t.Errorf("not one sentence: %q", full)
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(path), "*damaged*")); len(left) > 0 {
		t.Errorf("a full volume was taken for damage: %v", left)
	}
	// What is there can be read, and what was begun goes on once there is room.
	for _, n := range kept {
		c, data := storetest.Recording("elevator", n, 4, 8000)
		if got, _, err := s.Original(ctx, c.ID, capture.Data); err != nil || !bytes.Equal(got, data) {
			t.Fatalf("recording %d: %v", n, err)
		}
	}
	makeRoom()
	n := len(kept)
	c, data := storetest.Recording("elevator", n, 4, 8000)
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, len(data))))
	if report := must[store.Report](t)(s.Verify(ctx, nil)); !report.OK() || report.Captures != n+1 || report.Drafts != 0 {
		t.Errorf("verify: %s", report)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, path)
}

func TestFileSizeLimit(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	lift := storetest.LimitFileSize(t, 6<<20)
	fullVolume(t, path, lift)
}

func TestFullVolume(t *testing.T) {
	dir := storetest.SmallVolume(t, 8<<20)
	ballast := filepath.Join(dir, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 2<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	fullVolume(t, filepath.Join(dir, "faultkeep.db"), func() {
		if err := os.Remove(ballast); err != nil {
			t.Fatal(err)
		}
	})
}
