package link

import (
	"fmt"
	"time"

	"github.com/cenkalti/backoff/v5"
)

// Held is the answer while an endpoint or a unit is left alone after a
// failure, so that a dead one is neither hammered nor delays its neighbours.
type Held struct {
	Err   error     // the failure
	Until time.Time // when it is tried again
}

func (e *Held) Error() string { return e.say(e.Err.Error()) }

func (e *Held) say(failure string) string {
	return fmt.Sprintf("%s (tried again in %v)", failure, max(0, time.Until(e.Until)).Round(10*time.Millisecond))
}

func (e *Held) Unwrap() error { return e.Err }

// hold is one jittered backoff and where it stands. While a failure is fresh
// it stays impatient: a drive that comes back from a power cut may trip at once,
// and what it records is lost until somebody looks.
type hold struct {
	steps backoff.ExponentialBackOff
	quick time.Duration // longest wait while the failure is fresh
	began time.Time     // of the failure; zero: there is none
	until time.Time
	err   error
}

// fresh is how long a failure counts as fresh.
const fresh = time.Minute

// newHold makes a hold of at most quick while a failure is fresh and most later.
// The jitter is ±20 %.
func newHold(quick, most time.Duration) *hold {
	return &hold{quick: quick, steps: backoff.ExponentialBackOff{InitialInterval: 125 * time.Millisecond,
		RandomizationFactor: 0.2, Multiplier: 2, MaxInterval: most}}
}

// The holds there are: an endpoint that can't be reached costs a dial each
// time, and so little costs a unit for which its gateway answers; a silent unit
// costs its neighbours a timeout, if it has any; an extra connection that is refused is only
// a lost convenience.
func endpointHold() *hold { return newHold(250*time.Millisecond, 2*time.Second) }
func absentHold() *hold   { return newHold(time.Second, 5*time.Second) }
func silentHold() *hold   { return newHold(12*time.Second, 12*time.Second) }
func aloneHold() *hold    { return newHold(250*time.Millisecond, 2*time.Second) }
func extraHold() *hold    { return newHold(12*time.Second, 12*time.Second) }

func (h *hold) fail(err error) {
	h.err = err
	if h.began.IsZero() {
		h.began = time.Now()
	}
	wait := h.steps.NextBackOff()
	if time.Since(h.began) < fresh {
		wait = min(wait, h.quick)
	}
	h.until = time.Now().Add(wait)
}

func (h *hold) clear() {
	h.steps.Reset()
	h.began, h.until, h.err = time.Time{}, time.Time{}, nil
}

// held is nil when a try is due.
func (h *hold) held() *Held {
	if h == nil || h.err == nil || !time.Now().Before(h.until) {
		return nil
	}
	return &Held{h.err, h.until}
}
