package store_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// floor appends b to a plain file and syncs it: the least that durability costs.
type floor struct{ f *os.File }

func newFloor(t testing.TB) floor {
	f, err := os.OpenFile(filepath.Join(t.TempDir(), "floor"), os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return floor{f}
}

func (f floor) write(t testing.TB, b []byte) time.Duration {
	begun := time.Now()
	if _, err := f.f.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := f.f.Sync(); err != nil {
		t.Fatal(err)
	}
	return time.Since(begun)
}

func median(d []time.Duration) time.Duration {
	slices.Sort(d)
	return d[len(d)/2]
}

// BenchmarkKeep128KiB keeps captures of 8 channels × 8192 samples of 16 bits
// and reports the median time as a ratio to appending and syncing the same
// bytes, taken in turns in the same run. Keep is what a fast pull does, in one
// commit; AppendKeep takes two.
func BenchmarkKeep128KiB(b *testing.B) {
	for _, bench := range []struct {
		name string
		keep func(testing.TB, *store.Store, capture.Capture, []byte)
	}{
		{"Keep", func(t testing.TB, s *store.Store, c capture.Capture, data []byte) {
			d, err := s.Draft(ctx, c)
			if err == nil {
				_, err = d.Keep(ctx, c, storetest.Chunk(data, 0, len(data)))
			}
			if err != nil {
				t.Fatal(err)
			}
		}},
		{"AppendKeep", func(t testing.TB, s *store.Store, c capture.Capture, data []byte) {
			d, err := s.Draft(ctx, c)
			if err == nil {
				err = d.Append(ctx, storetest.Chunk(data, 0, len(data)))
			}
			if err == nil {
				_, err = d.Keep(ctx, c)
			}
			if err != nil {
				t.Fatal(err)
			}
		}},
	} {
		b.Run(bench.name, func(b *testing.B) {
			s := storetest.New(b, storetest.To("log"))
			f := newFloor(b)
			var kept, plain []time.Duration
			for i := 0; b.Loop(); i++ {
				b.StopTimer()
				c, data := storetest.Recording(fmt.Sprintf("drive %d", i%7), i, 8, 8192)
				for _, m := range must[[]store.Message](b)(s.Outbox(ctx, "log", 0)) {
					if err := s.Accepted(ctx, "log", m.Seq); err != nil {
						b.Fatal(err)
					}
				}
				time.Sleep(10 * time.Millisecond) // trips aren't back to back; the store makes room meanwhile
				plain = append(plain, f.write(b, data))
				begun := time.Now()
				b.StartTimer()
				bench.keep(b, s, c, data)
				kept = append(kept, time.Since(begun))
			}
			b.ReportMetric(float64(median(kept))/float64(median(plain)), "×append+fsync")
			b.ReportMetric(median(plain).Seconds()*1e3, "ms-append+fsync")
			b.ReportMetric(median(kept).Seconds()*1e3, "ms-keep")
		})
	}
}
