package link

import (
	"context"
	"errors"
	"time"

	"github.com/cenkalti/backoff/v5"
)

// patience is how often, and for how long in all, a refused request is asked again.
type patience struct {
	tries  int
	within time.Duration
}

// How to take each exception is our judgement; the specification only says
// what they mean (Modbus Application Protocol V1.1b3, §7).
var patiences = map[Exception]patience{
	Acknowledge:   {1 << 30, 10 * time.Second},
	Busy:          {1 << 30, 10 * time.Second},
	ServerFailure: {3, 2 * time.Second},
	ParityError:   {2, 2 * time.Second},
}

// Retry runs f and runs it again while the drive answers that it is busy (05,
// 06; for up to 10 s) or failed (04 three times, 08 twice). Any other error
// comes back at once. While it waits, it holds no connection.
func Retry[T any](ctx context.Context, f func() (T, error)) (T, error) {
	out, err := f()
	if refused := Exception(0); err == nil || !errors.As(err, &refused) {
		return out, err
	}
	return again(ctx, out, err, f)
}

// again goes on after a first answer that was an exception.
func again[T any](ctx context.Context, out T, err error, f func() (T, error)) (T, error) {
	steps := backoff.ExponentialBackOff{InitialInterval: 40 * time.Millisecond,
		RandomizationFactor: 0.25, Multiplier: 1.6, MaxInterval: time.Second}
	start := time.Now()
	tries := map[Exception]int{}
	for ; ; out, err = f() {
		var refused Exception
		if err == nil || !errors.As(err, &refused) {
			return out, err
		}
		tries[refused]++
		p, known := patiences[refused]
		wait := steps.NextBackOff()
		if !known || tries[refused] >= p.tries || time.Since(start)+wait > p.within {
			return out, err
		}
		if ended := pause(ctx, wait); ended != nil {
			return out, ended
		}
	}
}
