package store_test

import (
	"bytes"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// Sixty-four readers, four drives being kept, alerts being accepted and a
// verify, all at once. Every reader sees whole captures only.
func TestReadersAndWriters(t *testing.T) {
	s := storetest.New(t, storetest.To("log"))
	const drives, each = 4, 15
	var writers, readers sync.WaitGroup
	var over atomic.Bool
	for d := range drives {
		writers.Go(func() {
			drive := fmt.Sprint("drive ", d)
			for n := range each {
				storetest.Keep(t, s, drive, n, 2, 500)
				if err := s.Watched(ctx, drive, at(float64(n))); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for r := range 64 {
		readers.Go(func() {
			for !over.Load() {
				time.Sleep(5 * time.Millisecond)
				list, err := s.Captures(ctx, store.Query{Limit: 10, Drives: []string{fmt.Sprint("drive ", r%drives)}})
				if err != nil {
					t.Error(err)
					return
				}
				for _, c := range list {
					var n int
					if _, err := fmt.Sscanf(c.Provenance.Identity, "recording %d", &n); err != nil {
						t.Error(err)
						return
					}
					_, want := storetest.Recording(c.Drive, n, 2, 500)
					if got, _, err := s.Original(ctx, c.ID, capture.Data); err != nil || !bytes.Equal(got, want) {
						t.Errorf("%s: %v", c.ID, err)
						return
					}
					if _, ok, err := s.Last(ctx, c.Drive); err != nil || !ok {
						t.Errorf("last: %v %v", ok, err)
						return
					}
				}
			}
		})
	}
	accepted := 0
	readers.Go(func() {
		for accepted < drives*each {
			<-s.Waiting()
			for {
				box, err := s.Outbox(ctx, "log", 5)
				if err != nil {
					t.Error(err)
					return
				}
				if len(box) == 0 {
					break
				}
				for _, m := range box {
					if err := s.Accepted(ctx, "log", m.Seq); err != nil {
						t.Error(err)
						return
					}
					accepted++
				}
			}
		}
	})
	readers.Go(func() {
		for !over.Load() {
			if report, err := s.Verify(ctx, nil); err != nil || !report.OK() {
				t.Errorf("verify meanwhile: %s (%v)", report, err)
				return
			}
		}
	})
	writers.Wait()
	over.Store(true)
	readers.Wait()
	for d := range drives {
		drive := fmt.Sprint("drive ", d)
		want, _ := storetest.Recording(drive, each-1, 2, 500)
		if last, _, err := s.Last(ctx, drive); err != nil || last.ID != want.ID {
			t.Errorf("last of %s is %s, want %s (%v)", drive, last.ID, want.ID, err)
		}
	}
	if counts := must[store.Counts](t)(s.AlertCounts(ctx)); counts != (store.Counts{Raised: drives * each, Accepted: drives * each}) {
		t.Errorf("counts %+v", counts)
	}
}
