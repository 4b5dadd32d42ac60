package archive_test

import (
	"errors"
	"path/filepath"
	"testing"

	"faultkeep/daemon/archive"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// Marks made through the daemon and in the file are the store's own.
func TestMarks(t *testing.T) {
	yes, no := true, false
	for name, running := range map[string]bool{"daemon": true, "file": false} {
		t.Run(name, func(t *testing.T) {
			folder, caps := fill(t)
			stop := func() {}
			if running {
				stop = serve(t, folder)
			}
			a, err := archive.ToMark(ctx, folder)
			if err != nil {
				t.Fatal(err)
			}
			ids := []capture.ID{caps[0].ID, caps[1].ID}
			for _, m := range []archive.Marking{
				{IDs: ids, Reviewed: &yes, Pinned: &yes},
				{IDs: ids[:1], Reviewed: &no},
				{IDs: ids[1:], Pinned: &no},
			} {
				if err := a.Mark(ctx, m); err != nil {
					t.Fatal(err)
				}
			}
			if err := a.Mark(ctx, archive.Marking{IDs: []capture.ID{"20260101-000000-none-aaaa"}, Pinned: &yes}); !errors.Is(err, archive.ErrNotFound) {
				t.Errorf("marking what isn't there: %v", err)
			}
			if err := a.Close(); err != nil {
				t.Fatal(err)
			}
			stop()
			s, err := store.Open(ctx, store.Options{Path: filepath.Join(folder, archive.StoreFile), ReadOnly: true})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			marks, err := s.MarksOf(ctx, ids...)
			if err != nil {
				t.Fatal(err)
			}
			if m := marks[ids[0]]; m.Pinned.IsZero() || !m.Reviewed.IsZero() {
				t.Errorf("pinned and not reviewed: %+v", m)
			}
			if m := marks[ids[1]]; !m.Pinned.IsZero() || m.Reviewed.IsZero() {
				t.Errorf("reviewed and not pinned: %+v", m)
			}
		})
	}
}
