package modbus

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
)

// line is the way to one unit: every read of a drive goes through it. It
// counts requests and measures round trips, waiting behind neighbours included,
// since that too costs a race.
type line struct {
	endpoint *link.Endpoint
	unit     uint8
	count    atomic.Int64
	beat     func() // a request has ended, one way or the other

	mu  sync.Mutex
	rtt time.Duration // smoothed; 0: nothing measured yet
}

func (l *line) read(ctx context.Context, r regmap.Read) ([]byte, error) {
	start := time.Now()
	answer, err := l.endpoint.Read(ctx, l.unit, r)
	if l.answered(start, err) {
		return answer, err
	}
	return l.again(ctx, answer, err, func() ([]byte, error) { return l.endpoint.Read(ctx, l.unit, r) })
}

func (l *line) readFile(ctx context.Context, file, record, words uint16) ([]byte, error) {
	start := time.Now()
	answer, err := l.endpoint.ReadFile(ctx, l.unit, file, record, words)
	if l.answered(start, err) {
		return answer, err
	}
	return l.again(ctx, answer, err, func() ([]byte, error) { return l.endpoint.ReadFile(ctx, l.unit, file, record, words) })
}

// answered counts and measures a request; false: it failed.
func (l *line) answered(start time.Time, err error) bool {
	l.count.Add(1)
	l.beat()
	if err == nil {
		l.measured(time.Since(start))
	}
	return err == nil
}

// again goes on after a first answer that was an error: a busy drive
// (exceptions 05 and 06) is asked again after a wait, without holding the
// connection meanwhile.
func (l *line) again(ctx context.Context, answer []byte, err error, request func() ([]byte, error)) ([]byte, error) {
	first := true
	return link.Retry(ctx, func() ([]byte, error) {
		if first {
			first = false
			return answer, err
		}
		start := time.Now()
		answer, err := request()
		l.answered(start, err)
		return answer, err
	})
}

// patience is how often a request is tried over new connections before the
// drive counts as unreachable, and mostQuiet how long each try waits for it to
// take connections again.
const (
	patience  = 3
	mostQuiet = time.Second
)

// insist runs a request again that failed in transport. What the drive itself
// refuses comes back at once.
func (l *line) insist(ctx context.Context, request func() error) (err error) {
	for range patience {
		err = request()
		var exception link.Exception
		if err == nil || ctx.Err() != nil || errors.As(err, &exception) || sources.IsPermanent(err) {
			return err
		}
		if wait := l.endpoint.Quiet(l.unit); wait > 0 && pause(ctx, min(wait, mostQuiet)) != nil {
			return err
		}
	}
	return err
}

func (l *line) measured(took time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.rtt == 0 {
		l.rtt = took
		return
	}
	l.rtt += (took - l.rtt) / 8
}

// roundTrip is the smoothed time of one request; 0 before the first.
func (l *line) roundTrip() time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.rtt
}
