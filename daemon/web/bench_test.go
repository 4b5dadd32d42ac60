package web_test

import (
	"context"
	"flag"
	"fmt"
	"net/http"
	"os"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/web"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

var many = flag.Int("many", 2000, "how many captures the store of BenchmarkOvernight has; the aim is for 100000")

// BenchmarkOvernight asks for the home page among many captures, a hundred of
// them since the last visit. The floor is the same page of a store that has
// only those.
func BenchmarkOvernight(b *testing.B) {
	few, all := filled(b, 100), filled(b, *many)
	floor := asked(b, few)
	b.ResetTimer()
	for b.Loop() {
		b.StopTimer()
		took := asked(b, all)
		b.StartTimer()
		b.ReportMetric(took.Seconds()*1e3, "ms")
		b.ReportMetric(took.Seconds()/floor.Seconds(), "of-floor")
	}
}

// asked is the shortest time of the home page, of five.
func asked(b *testing.B, h http.Handler) time.Duration {
	b.Helper()
	best := time.Hour
	for range 5 {
		begun := time.Now()
		if w := ask(b, h, "GET", "/", ""); w.Code != http.StatusOK {
			b.Fatal(w.Code)
		}
		best = min(best, time.Since(begun))
	}
	return best
}

// filled are the pages of a store with n captures, ten minutes apart up to this morning.
func filled(b *testing.B, n int) http.Handler {
	b.Helper()
	dir := b.TempDir()
	if shm, err := os.MkdirTemp("/dev/shm", "faultkeep-bench-"); err == nil { // filling it is not what is measured
		dir = shm
		b.Cleanup(func() { _ = os.RemoveAll(shm) })
	}
	now := morning
	s, err := store.Open(context.Background(), store.Options{Path: dir + "/" + archive.StoreFile, Now: func() time.Time { return now }})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = s.Close() })
	begin := morning.Add(-time.Duration(n) * 10 * time.Minute)
	for i := range 10 {
		if err := s.Watched(context.Background(), fmt.Sprint("drive ", i), begin); err != nil {
			b.Fatal(err)
		}
	}
	for i := range n {
		c, data := storetest.Recording(fmt.Sprint("drive ", i%10), i, 4, 64)
		c.Trigger.Time = begin.Add(time.Duration(i) * 10 * time.Minute).UTC()
		c.Trigger.Earliest, c.Trigger.Latest = c.Trigger.Time, c.Trigger.Time
		c.Provenance.Ready = c.Trigger.Time
		c.ID = capture.NewID(c.Trigger.Time, c.Drive, fmt.Sprint(i))
		now = c.Trigger.Time.Add(time.Second)
		d, err := s.Draft(context.Background(), c)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := d.Keep(context.Background(), c, storetest.Chunk(data, 0, len(data))); err != nil {
			b.Fatal(err)
		}
	}
	now = morning
	if err := archive.Pages(s).SetVisit(context.Background(), "page", morning.Add(-100*10*time.Minute)); err != nil {
		b.Fatal(err)
	}
	return web.New(web.Options{Site: "Northquay", Zone: oslo, Version: "0", Token: "x", Store: archive.Pages(s), Live: &live{}, Now: func() time.Time { return morning }})
}
