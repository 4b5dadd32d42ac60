package archive_test

import (
	"errors"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/archive"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// taken is a recording from a file.
func taken(n int) (capture.Capture, []capture.Chunk) {
	c, data := storetest.Recording("slew", n, 2, 50)
	hash := storetestHash(n)
	c.Provenance.Identity = capture.ContentIdentity(hash, 1, 1)
	c.ID = capture.NewID(c.Trigger.Time, c.Drive, c.Provenance.Identity)
	return c, []capture.Chunk{{Part: capture.Data, Bytes: data}, {Part: capture.FilePart + "a.csv", Bytes: []byte("1;2")}}
}

func storetestHash(n int) string {
	const digits = "0123456789abcdef"
	b := []byte("0000000000000000000000000000000000000000000000000000000000000000")
	b[63] = digits[n%16]
	return string(b)
}

// Taking in is the same through the daemon, into a store that is there, and
// into one that isn't yet.
func TestTakeBothWays(t *testing.T) {
	for name, with := range map[string]bool{"file": false, "daemon": true} {
		t.Run(name, func(t *testing.T) {
			folder := t.TempDir()
			if with {
				folder, _ = fill(t)
				daemon(t, folder)
			}
			for round := range 2 {
				in, err := archive.ToTake(ctx, folder, "Northquay")
				if err != nil {
					t.Fatal(err)
				}
				c, chunks := taken(round)
				kept, err := in.Take(ctx, c, chunks)
				if err != nil || kept.ID != c.ID || kept.Kept.IsZero() {
					t.Fatalf("%+v, %v", kept, err)
				}
				if _, err := in.Take(ctx, c, chunks); !errors.Is(err, archive.ErrKept) {
					t.Errorf("once more: %v", err)
				}
				a, err := in.Arrived(ctx, storetestHash(round))
				if d := cmp.Diff(archive.Arrival{IDs: map[int]capture.ID{1: c.ID}, Of: 1}, a); d != "" || err != nil {
					t.Errorf("%v\n%s", err, d)
				}
				if b, _, err := in.Original(ctx, c.ID, capture.FilePart+"a.csv"); string(b) != "1;2" || err != nil {
					t.Errorf("%q, %v", b, err)
				}
				bad := c
				bad.Provenance.Identity = "a drive's"
				if _, err := in.Take(ctx, bad, chunks); err == nil {
					t.Error("a drive's own recording is taken in from outside")
				}
				if err := in.Close(); err != nil {
					t.Fatal(err)
				}
			}
			if !with {
				storetest.Check(t, filepath.Join(folder, archive.StoreFile))
			}
		})
	}
}
