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

// hold is one jittered backoff and where it stands.
type hold struct {
	steps backoff.ExponentialBackOff
	until time.Time
	err   error
}

// The jitter is ±20 %, so that what comes out lies between 100 ms and 15 s.
func newHold() *hold {
	return &hold{steps: backoff.ExponentialBackOff{InitialInterval: 125 * time.Millisecond,
		RandomizationFactor: 0.2, Multiplier: 2, MaxInterval: 12500 * time.Millisecond}}
}

func (h *hold) fail(err error) {
	h.err = err
	h.until = time.Now().Add(h.steps.NextBackOff())
}

func (h *hold) clear() {
	h.steps.Reset()
	h.until, h.err = time.Time{}, nil
}

// held is nil when a try is due.
func (h *hold) held() *Held {
	if h == nil || h.err == nil || !time.Now().Before(h.until) {
		return nil
	}
	return &Held{h.err, h.until}
}
