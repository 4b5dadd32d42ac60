// Package alert tells people. Rules say which sinks hear of an alert; the
// Dispatcher carries every alert from the outbox to its sink and tries until
// the sink accepts it. A sink is one method and lives in a room of its own
// below this one, with its own Config.
package alert

import (
	"context"
	"errors"
	"net/url"
	"strings"
	"time"

	"faultkeep/store/capture"
)

// Sink carries one alert to somebody. Send returns nil only once the other
// side has taken the alert over. An error that is a Refused is final; after
// any other the same alert is sent again, with the same ID. Send is called
// from one goroutine at a time and returns soon after ctx ends.
type Sink interface {
	Send(ctx context.Context, a capture.Alert) error
}

// Refused says that sending the same alert again can't help: the other side
// understood it and won't have it.
type Refused struct{ Err error }

func (r Refused) Error() string { return r.Err.Error() }
func (r Refused) Unwrap() error { return r.Err }

// Later says that the other side asked not to be tried again before After.
type Later struct {
	Err   error
	After time.Duration
}

func (l Later) Error() string { return l.Err.Error() }
func (l Later) Unwrap() error { return l.Err }

// IsRefused tells whether err is a refusal for good.
func IsRefused(err error) bool {
	var r Refused
	return errors.As(err, &r)
}

// Page is the address of the page that shows what the alert is about; base is
// the address under which people reach faultkeep. Empty where base is.
func Page(base string, a capture.Alert) string {
	if base == "" {
		return ""
	}
	base = strings.TrimRight(base, "/")
	switch {
	case a.Kind == capture.KindBrief:
		return base + "/brief"
	case a.Capture != "":
		return base + "/capture/" + url.PathEscape(string(a.Capture))
	case a.Drive != "":
		return base + "/drive/" + url.PathEscape(a.Drive)
	}
	return base + "/"
}
