package store_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// Notes and tags are added, taken off, bounded, and go with their capture.
func TestRemarks(t *testing.T) {
	now := storetest.Night
	s := storetest.New(t, storetest.Now(func() time.Time { now = now.Add(time.Second); return now }))
	a, b := storetest.Keep(t, s, "elevator", 1, 2, 100), storetest.Keep(t, s, "elevator", 2, 2, 100)
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(s.Remark(ctx, a.ID, capture.Note{Text: " scraper was worn ", By: "technician"}, []string{"scraper", " night "}, nil))
	must(s.Remark(ctx, a.ID, capture.Note{Text: "replaced"}, []string{"scraper"}, []string{"night", "never there"}))
	must(s.Remark(ctx, b.ID, capture.Note{}, []string{"x"}, nil))
	got, err := s.Remarks(ctx, a.ID, b.ID, "none")
	must(err)
	r := got[a.ID]
	if len(got) != 2 || !cmp.Equal(r.Tags, []string{"scraper"}) || len(r.Notes) != 2 || r.Notes[0].Text != "scraper was worn" || r.Notes[0].By != "technician" || r.Notes[0].At.IsZero() {
		t.Errorf("%+v", got)
	}
	must(s.DropNote(ctx, a.ID, r.Notes[0].At))
	if err := s.DropNote(ctx, a.ID, r.Notes[0].At); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("dropped twice: %v", err)
	}
	if got, _ := s.Remarks(ctx, a.ID); len(got[a.ID].Notes) != 1 || got[a.ID].Notes[0].Text != "replaced" {
		t.Errorf("%+v", got)
	}
	if err := s.Remark(ctx, "none", capture.Note{Text: "x"}, nil, nil); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("of a capture that isn't there: %v", err)
	}
	var many []string
	for i := range 21 {
		many = append(many, strings.Repeat("t", i+1))
	}
	for name, err := range map[string]error{
		"a long note":   s.Remark(ctx, a.ID, capture.Note{Text: strings.Repeat("x", 2001)}, nil, nil),
		"a long tag":    s.Remark(ctx, a.ID, capture.Note{}, []string{strings.Repeat("x", 41)}, nil),
		"two in one":    s.Remark(ctx, a.ID, capture.Note{}, []string{"a,b"}, nil),
		"an empty tag":  s.Remark(ctx, a.ID, capture.Note{}, []string{" "}, nil),
		"too many tags": s.Remark(ctx, a.ID, capture.Note{}, many, nil),
	} {
		if !errors.Is(err, store.ErrRefused) {
			t.Errorf("%s: %v", name, err)
		}
	}
	must(store.DropCapture(s, a.ID))
	if got, _ := s.Remarks(ctx, a.ID); len(got) != 0 {
		t.Errorf("of a dropped capture: %v", got)
	}
}
