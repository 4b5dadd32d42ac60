package study_test

import (
	"context"
	"encoding/binary"
	"log/slog"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/daemon/analysis"
	"faultkeep/daemon/study"
	"faultkeep/sources/drivesim"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

var ctx = context.Background()

// scenario keeps a recording of a simulated drive of which the cause is known.
func scenario(t *testing.T, s *store.Store, seed uint64, cause drivesim.Cause) capture.Capture {
	t.Helper()
	c, series, _ := drivesim.Scenario{Seed: seed, Cause: cause}.Play()
	c.Drive, c.Trigger.Time = "elevator", storetest.Night.Add(time.Duration(seed)*time.Hour)
	c.ID = capture.NewID(c.Trigger.Time, c.Drive, string(cause))
	c.Encoding = capture.Encoding{Order: capture.ByChannel, Samples: c.Timing.Samples}
	for range c.Channels {
		c.Encoding.Channels = append(c.Encoding.Channels, capture.Coding{Type: capture.Float64, Scale: 1})
	}
	data := make([]byte, c.Encoding.Size())
	for ch, one := range series {
		for i, v := range one {
			if _, err := binary.Encode(data[c.Encoding.At(ch, i).Start:], binary.BigEndian, v); err != nil {
				t.Fatal(err)
			}
		}
	}
	c.Integrity = capture.Integrity{Whole: true, Size: c.Encoding.Size()}
	d, err := s.Draft(ctx, c)
	if err != nil {
		t.Fatal(err)
	}
	kept, err := d.Keep(ctx, c, capture.Chunk{Part: capture.Data, Bytes: data})
	if err != nil {
		t.Fatal(err)
	}
	return kept
}

// What is kept gets its findings at once; what had none, or older ones, when
// faultkeep started gets them too; what can't be analysed holds up nothing.
func TestFollow(t *testing.T) {
	s := storetest.New(t)
	old := scenario(t, s, 1, drivesim.Jam)
	stale := scenario(t, s, 2, drivesim.MainsDip)
	if err := s.PutStudies(map[capture.ID]store.Studied{stale.ID: {Study: capture.Study{Version: analysis.Version - 1}}}); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		run, stop := context.WithCancel(ctx)
		var told atomic.Int32
		f := study.New(s).Follow(slog.New(slog.DiscardHandler), func() { told.Add(1) })
		ended := make(chan struct{})
		go func() { f.Run(run); close(ended) }()
		time.Sleep(time.Minute)
		synctest.Wait()
		for _, id := range []capture.ID{old.ID, stale.ID} {
			st, err := study.New(s).Study(ctx, id, nil)
			if err != nil || st.Version != analysis.Version || len(st.Findings) == 0 {
				t.Errorf("%s: %+v %v", id, st, err)
			}
		}
		if told.Load() != 1 {
			t.Errorf("told %d times of the two at once", told.Load())
		}
		fresh := scenario(t, s, 3, drivesim.EncoderLoss)
		f.Kept("there is none")
		f.Kept(fresh.ID)
		synctest.Wait()
		if st, err := study.New(s).Study(ctx, fresh.ID, nil); err != nil || st.Version != analysis.Version {
			t.Errorf("%+v %v", st, err)
		}
		if told.Load() != 2 {
			t.Errorf("told %d times", told.Load())
		}

		// One that nobody told of is found when the store is looked through.
		missed := scenario(t, s, 4, drivesim.Jam)
		time.Sleep(9 * time.Minute)
		synctest.Wait()
		if st, _ := study.New(s).Study(ctx, missed.ID, nil); st.Version != 0 {
			t.Error("analysed though nobody told of it and no look was due")
		}
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		if st, err := study.New(s).Study(ctx, missed.ID, nil); err != nil || st.Version != analysis.Version {
			t.Errorf("%+v %v", st, err)
		}
		stop()
		<-ended
	})
}
