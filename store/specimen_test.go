package store_test

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

var writeSpecimen = flag.Bool("store.specimen", false, "write testdata/schema-N.db, a store as this faultkeep writes it; do so once for every schema, and never again")

// specimenEnd is when the specimens were closed.
var specimenEnd = storetest.Night.Add(3 * time.Hour)

// specimen fills a store with some of everything. Stores that earlier
// versions of faultkeep wrote by it lie in testdata: never change what it writes.
func specimen(t *testing.T, path string) {
	t.Helper()
	s, err := store.Open(context.Background(), store.Options{Path: path, Site: "Northquay",
		Announce: func(capture.Alert) []capture.Delivery { return capture.To("log", "control-room") },
		Now:      func() time.Time { return specimenEnd }})
	if err != nil {
		t.Fatal(err)
	}
	night := storetest.Night
	var errs []error
	keep := func(n int, change func(*capture.Capture), chunks ...[2]int) {
		c, data := storetest.Recording("elevator", n, 3, 200)
		change(&c)
		d, err := s.Draft(ctx, c)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range chunks[:len(chunks)-1] {
			errs = append(errs, d.Append(ctx, storetest.Chunk(data, r[0], r[1])))
		}
		last := chunks[len(chunks)-1]
		_, err = d.Keep(ctx, c, storetest.Chunk(data, last[0], last[1]), capture.Chunk{Part: "header", Bytes: fmt.Append(nil, "header of ", n)})
		errs = append(errs, err)
	}
	keep(0, func(*capture.Capture) {}, [2]int{0, 1200})
	keep(1, func(*capture.Capture) {}, [2]int{300, 700}, [2]int{600, 1000}, [2]int{0, 1200})
	keep(2, func(c *capture.Capture) {
		c.Integrity = capture.Integrity{Size: c.Integrity.Size, Why: "Reset 0.4 s after it was ready, when 50 % was read."}
	}, [2]int{600, 900}, [2]int{900, 1200})
	c, data := storetest.Recording("slew", 7, 3, 200)
	d, err := s.Draft(ctx, c)
	if err != nil {
		t.Fatal(err)
	}
	errs = append(errs,
		d.Append(ctx, storetest.Chunk(data, 100, 500)), d.Append(ctx, storetest.Chunk(data, 500, 640)),
		s.SetVisit(ctx, "watching belt", night.Add(-time.Hour)), // as the pages noted it
		s.SetVisit(ctx, "page", night.Add(30*time.Minute)),
		s.Watched(ctx, "elevator", night),
		s.Watched(ctx, "belt", night),
		s.Blind(ctx, "belt", night.Add(10*time.Minute), night.Add(10*time.Minute), capture.CauseUnreachable, "no answer"),
		s.Watched(ctx, "belt", night.Add(19*time.Minute)),
		s.Blind(ctx, "slew", night.Add(20*time.Minute), night.Add(21*time.Minute), capture.CauseNotArmed, "idle"), // goes on
		s.Miss(ctx, capture.Miss{Time: night.Add(40 * time.Minute), Drive: "belt", Title: "Belt 3", Fault: overcurrent, Cause: capture.CauseReset,
			Text: "Reset 0.3 s after it was ready", Advice: "Hold the reset back 2 s"}, capture.Alarm),
		s.Note(ctx, store.Entry{Time: night.Add(50 * time.Minute), Drive: "elevator", Kind: "wrote", Text: "armed"}),
		s.Accepted(ctx, "log", 1),
		s.Retry(ctx, "control-room", 2, night.Add(time.Hour), "503"),
		s.SetAside(ctx, "log", 3, "refused"),
		s.Close())
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
}

// TestWriteSpecimen writes the specimen of this schema.
func TestWriteSpecimen(t *testing.T) {
	if !*writeSpecimen {
		t.Skip("only when a new schema is made")
	}
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	specimen(t, path)
	storetest.Truncate(t, path, usedPart(t, path)) // without the room taken in advance
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(fmt.Sprintf("testdata/schema-%d.db", store.Schema), b, 0o600); err != nil {
		t.Fatal(err)
	}
}
