package main

import (
	"bytes"
	"context"
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// Asked for without a time, a brief goes on where the last one that was made
// by itself ended; before there was one, it tells of a day.
func TestBriefGoesOnFromTheLast(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	from := func() time.Time {
		t.Helper()
		var stdout, stderr bytes.Buffer
		if code := run([]string{"brief", "--data", dir, "--json"}, output{&stdout, &stderr}); code != exitOK {
			t.Fatal(code, stderr.String())
		}
		var got struct{ From, To time.Time }
		if err := json.Unmarshal(stdout.Bytes(), &got); err != nil || !got.To.After(got.From) {
			t.Fatalf("%v: %s", err, stdout.String())
		}
		return got.From
	}
	keep := func(to time.Time) {
		t.Helper()
		s, err := store.Open(ctx, store.Options{Path: filepath.Join(dir, archive.StoreFile)})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		if !to.IsZero() {
			if _, err := s.KeepBrief(ctx, store.Brief{ID: "brief", Slot: to, To: to, Text: "as it was sent\n", JSON: `{"as": "it was"}`}, capture.Alert{ID: "brief"}, nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	keep(time.Time{})
	if got := time.Since(from()); got < 22*time.Hour || got > 26*time.Hour { // a day, even one on which clocks change
		t.Errorf("without one it begins %s ago", got)
	}
	last := time.Now().Add(-5 * time.Hour).Truncate(time.Second)
	keep(last)
	if got := from(); !got.Equal(last) {
		t.Errorf("the last one ended %s, this one begins %s", last, got)
	}
	for form, want := range map[string]string{"--text": "as it was sent\n", "--json": "{\n  \"as\": \"it was\"\n}\n"} {
		var stdout, stderr bytes.Buffer
		if code := run([]string{"brief", "--data", dir, "--last", form}, output{&stdout, &stderr}); code != exitOK || stdout.String() != want {
			t.Errorf("the last one, %s: %d, %q, %s", form, code, stdout.String(), stderr.String())
		}
	}
}
