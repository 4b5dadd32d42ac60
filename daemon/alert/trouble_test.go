package alert_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// A full disk must neither send accepted alerts again and again nor make a
// dead sink be hammered.
func TestOutboxThatCannotWrite(t *testing.T) {
	t.Run("accepted", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			b, n := newBox(), 0
			s := &sink{answer: func(context.Context, capture.Alert) error {
				if n++; n == 1 {
					b.breakWith(errors.New("disk full"))
				}
				return nil
			}}
			b.put("a001", "s")
			b.put("a002", "s")
			defer run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}})()
			time.Sleep(time.Hour)
			if n := len(s.sends()); n != 1 {
				t.Fatalf("sent %d times", n)
			}
			b.breakWith(nil)
			time.Sleep(5 * time.Minute)
			if diff := cmp.Diff(ids(1, 2), s.accepted()); diff != "" {
				t.Errorf("after the disk had room:\n%s", diff)
			}
		})
	})
	t.Run("failed", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			b := &cannotNote{newBox()}
			s := &sink{answer: func(context.Context, capture.Alert) error { return errDown }}
			b.put("a001", "s")
			defer run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}})()
			time.Sleep(time.Hour)
			if n := len(s.sends()); n > 25 {
				t.Errorf("%d attempts in an hour", n)
			}
		})
	})
	t.Run("unreadable", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			b, s := newBox(), &sink{}
			b.put("a001", "s")
			b.breakWith(errors.New("input/output error"))
			told := 0
			defer run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}, Observe: func(a alert.Attempt) {
				if a.Outcome == alert.NoStorage {
					told++
				}
			}})()
			time.Sleep(time.Hour)
			synctest.Wait()
			if told < 10 || told > 30 {
				t.Errorf("told %d times in an hour", told)
			}
			b.breakWith(nil)
			time.Sleep(5 * time.Minute)
			if diff := cmp.Diff([]string{"a001"}, s.accepted()); diff != "" {
				t.Error(diff)
			}
		})
	})
}

// cannotNote is an outbox whose Retry fails.
type cannotNote struct{ *box }

func (cannotNote) Retry(context.Context, string, uint64, time.Time, string) error {
	return errors.New("disk full")
}

// A clock that was a year ahead when the next attempt was noted, and then put
// right, must not silence an alert for a year.
func TestClockPutBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, s := newBox(), &sink{}
		b.put("a001", "s")
		if err := b.Retry(t.Context(), "s", 1, time.Now().AddDate(1, 0, 0), "down"); err != nil {
			t.Fatal(err)
		}
		defer run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}})()
		time.Sleep(time.Hour)
		synctest.Wait()
		if diff := cmp.Diff([]string{"a001"}, s.accepted()); diff != "" {
			t.Error(diff)
		}
	})
}

// A signal that was lost costs a minute, not the alert.
func TestLostSignal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, s := newBox(), &sink{}
		defer run(b, alert.Options{Sinks: map[string]alert.Sink{"s": s}})()
		synctest.Wait()
		b.waiting = make(chan struct{}, 1)
		b.put("a001", "s")
		time.Sleep(time.Minute)
		synctest.Wait()
		if diff := cmp.Diff([]string{"a001"}, s.accepted()); diff != "" {
			t.Error(diff)
		}
	})
}
