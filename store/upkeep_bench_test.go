package store_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// many is a store with n captures of 4 channels, hours apart, of ten drives.
func many(b *testing.B, n, samples int) *store.Store {
	b.Helper()
	path := filepath.Join(b.TempDir(), "faultkeep.db")
	s := must[*store.Store](b)(open(path))
	store.NoSync(s) // only for filling it
	for i := range n {
		c, data := storetest.Recording(fmt.Sprint("drive ", i%10), 60*i, 4, samples)
		d := must[*store.Draft](b)(s.Draft(ctx, c))
		must[capture.Capture](b)(d.Keep(ctx, c, storetest.Chunk(data, 0, len(data))))
		for _, m := range must[[]store.Message](b)(s.Outbox(ctx, "log", 0)) {
			if err := s.Accepted(ctx, "log", m.Seq); err != nil {
				b.Fatal(err)
			}
		}
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	s = must[*store.Store](b)(open(path))
	b.Cleanup(func() { s.Close() })
	return s
}

// BenchmarkRetain drops 10,000 captures of 16 KiB.
func BenchmarkRetain(b *testing.B) {
	const n = 10_000
	for b.Loop() {
		b.StopTimer()
		s := many(b, n, 2048)
		w := beginWriting(b, s)
		b.StartTimer()
		begun := time.Now()
		d := must[store.Dropped](b)(s.Retain(ctx, store.Retention{MaxSize: 1}))
		took := time.Since(begun)
		b.StopTimer()
		w.end()
		if d.Captures < n-20 {
			b.Fatalf("%d dropped", d.Captures)
		}
		b.ReportMetric(float64(d.Captures)/took.Seconds(), "captures/s")
		w.report(b)
		b.StartTimer()
	}
}

// BenchmarkCompact compacts 512 MiB of captures of 128 KiB, half of which were
// dropped, while a writer keeps one every 20 ms.
func BenchmarkCompact(b *testing.B) {
	for b.Loop() {
		b.StopTimer()
		s := many(b, 4096, 16384)
		used := must[store.Stats](b)(s.Stats(ctx)).Used
		must[store.Dropped](b)(s.Retain(ctx, store.Retention{MaxSize: used / 2}))
		plain := beginWriting(b, s)
		time.Sleep(3 * time.Second)
		plain.end()
		w := beginWriting(b, s)
		b.StartTimer()
		out := must[store.Compacted](b)(s.Compact(ctx, nil))
		b.StopTimer()
		w.end()
		b.ReportMetric(float64(out.After)/1e6/out.Took.Seconds(), "MB/s")
		b.ReportMetric(out.Pause.Seconds()*1e3, "ms-pause")
		b.ReportMetric(plain.longest().Seconds()*1e3, "ms-longest-keep-before")
		w.report(b)
		b.StartTimer()
	}
}

// BenchmarkBackup backs the same up, beside a plain copy of the file with a
// sync at its end.
func BenchmarkBackup(b *testing.B) {
	for b.Loop() {
		b.StopTimer()
		s := many(b, 4096, 16384)
		used := must[store.Stats](b)(s.Stats(ctx)).Used
		raw, err := os.ReadFile(s.Path())
		if err != nil {
			b.Fatal(err)
		}
		begun := time.Now()
		f, err := os.Create(filepath.Join(b.TempDir(), "plain"))
		if err == nil {
			_, err = f.Write(raw)
		}
		if err == nil {
			err = f.Sync()
		}
		if err != nil {
			b.Fatal(err)
		}
		f.Close()
		floor := time.Since(begun)
		w := beginWriting(b, s)
		b.StartTimer()
		begun = time.Now()
		pause, err := s.Backup(ctx, filepath.Join(b.TempDir(), "backup"), nil)
		if err != nil {
			b.Fatal(err)
		}
		took := time.Since(begun)
		b.StopTimer()
		w.end()
		b.ReportMetric(float64(used)/1e6/took.Seconds(), "MB/s")
		b.ReportMetric(took.Seconds()/floor.Seconds(), "×copy+fsync")
		b.ReportMetric(pause.Seconds()*1e3, "ms-pause")
		w.report(b)
		b.StartTimer()
	}
}

// BenchmarkManyCaptures looks things up among 100,000 captures.
func BenchmarkManyCaptures(b *testing.B) {
	const n = 100_000
	s := many(b, n, 8)
	first, _ := storetest.Recording("drive 3", 60*50_003, 4, 8)
	for name, do := range map[string]func() (int, error){
		"newest-50": func() (int, error) {
			l, err := s.Captures(ctx, store.Query{Limit: 50})
			return len(l), err
		},
		"page-in-the-middle-50": func() (int, error) {
			l, err := s.Captures(ctx, store.Query{Limit: 50, Before: first.ID})
			return len(l), err
		},
		"one-drive-50": func() (int, error) {
			l, err := s.Captures(ctx, store.Query{Limit: 50, Drives: []string{"drive 3"}})
			return len(l), err
		},
		"one-night-24": func() (int, error) {
			l, err := s.Captures(ctx, store.Query{Since: first.Trigger.Time, Until: first.Trigger.Time.Add(24 * time.Hour)})
			return len(l), err
		},
		"a-fault-that-never-was-0": func() (int, error) {
			l, err := s.Captures(ctx, store.Query{Fault: "8611", Limit: 50})
			return len(l), err
		},
		"find-by-prefix-1": func() (int, error) {
			_, err := s.Find(ctx, string(first.ID)[:15])
			return 1, err
		},
		"last-of-a-drive-1": func() (int, error) {
			_, _, err := s.Last(ctx, "drive 3")
			return 1, err
		},
		"stats-1": func() (int, error) {
			_, err := s.Stats(ctx)
			return 1, err
		},
		"nothing-to-retain-0": func() (int, error) {
			d, err := s.Retain(ctx, store.Retention{KeepFor: 1e6 * time.Hour, MaxSize: 1 << 40})
			return d.Captures, err
		},
	} {
		b.Run(name, func(b *testing.B) {
			want := 0
			_, _ = fmt.Sscanf(name[len(name)-2:], "%d", &want)
			if want < 0 {
				want = -want
			}
			for b.Loop() {
				got, err := do()
				if err != nil || got != want {
					b.Fatalf("%d, want %d (%v)", got, want, err)
				}
			}
		})
	}
	b.Run("compact", func(b *testing.B) {
		for b.Loop() {
			out := must[store.Compacted](b)(s.Compact(ctx, nil))
			b.ReportMetric(out.Pause.Seconds()*1e3, "ms-pause")
		}
	})
}

// writing keeps captures of 128 KiB one after another, as trips do that come
// in a storm, and measures how long each takes.
type writing struct {
	stop context.CancelFunc
	done sync.WaitGroup
	took []time.Duration
}

func beginWriting(b *testing.B, s *store.Store) *writing {
	ctx, stop := context.WithCancel(context.Background())
	w := &writing{stop: stop}
	w.done.Go(func() {
		for n := 0; ctx.Err() == nil; n++ {
			c, data := storetest.Recording("writer", 10_000_000+int(time.Now().UnixNano()%1_000_000)+n, 8, 8192)
			begun := time.Now()
			d, err := s.Draft(ctx, c)
			if err == nil {
				_, err = d.Keep(ctx, c, storetest.Chunk(data, 0, len(data)))
			}
			if err != nil && ctx.Err() == nil {
				b.Error(err)
				return
			}
			w.took = append(w.took, time.Since(begun))
			time.Sleep(20 * time.Millisecond)
		}
	})
	return w
}

func (w *writing) end() { w.stop(); w.done.Wait() }

func (w *writing) longest() (most time.Duration) {
	for _, d := range w.took {
		most = max(most, d)
	}
	return most
}

func (w *writing) report(b *testing.B) {
	b.ReportMetric(w.longest().Seconds()*1e3, "ms-longest-keep")
	b.ReportMetric(median(w.took).Seconds()*1e3, "ms-median-keep")
}
