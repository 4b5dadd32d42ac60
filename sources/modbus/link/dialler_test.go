package link

import (
	"context"
	"errors"
	"os"
	"testing"
	"testing/synctest"
	"time"
)

type closing struct {
	Link
	closed bool
}

func (c *closing) Close() error { c.closed = true; return nil }

// An attempt that outlives its caller must neither stay open unused nor run
// beside a second one: drives with a single connection would refuse it.
func TestDiallingIsBoundedAndNeverDoubled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var opens []*closing
		d := &dialler{timeout: time.Second, open: func() (Link, error) {
			l := &closing{}
			opens = append(opens, l)
			time.Sleep(3500 * time.Millisecond)
			return l, nil
		}}
		start := time.Now()
		if _, err := d.dial(t.Context()); !errors.Is(err, os.ErrDeadlineExceeded) || time.Since(start) != time.Second {
			t.Fatalf("%v after %v, want no answer after 1 s", err, time.Since(start))
		}
		time.Sleep(500 * time.Millisecond)
		ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
		defer cancel()
		if _, err := d.dial(ctx); !errors.Is(err, context.DeadlineExceeded) || time.Since(start) != 2*time.Second {
			t.Fatalf("%v after %v, want the context's end after 2 s", err, time.Since(start))
		}
		time.Sleep(600 * time.Millisecond)
		l, err := d.dial(t.Context())
		if err != nil || time.Since(start) != 3500*time.Millisecond {
			t.Fatalf("%v after %v, want the first attempt's link after 3.5 s", err, time.Since(start))
		}
		if len(opens) != 1 || l != opens[0] || opens[0].closed {
			t.Fatalf("%d attempts, closed: %v; want the first one, open", len(opens), opens[0].closed)
		}

		if _, err := d.dial(t.Context()); err == nil {
			t.Fatal("the second attempt should take too long")
		}
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if len(opens) != 2 || !opens[1].closed || len(d.orphans) != 0 {
			t.Fatalf("%d attempts; an attempt nobody waits for must be closed when it succeeds", len(opens))
		}
		if opens[0].closed {
			t.Fatal("the link that was handed out was closed")
		}
	})
}
