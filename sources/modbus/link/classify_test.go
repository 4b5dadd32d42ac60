package link_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/modbus/link"
)

func TestErrorsSayWhatToDo(t *testing.T) {
	const read = "read holding 100–224"
	for _, c := range []struct {
		err       error
		op        string
		permanent bool
		words     []string
	}{
		{link.IllegalFunction, read, true, []string{"holding, input, coil or discrete"}},
		{link.IllegalFunction, "read file 1, records 0–9", true, []string{"function code 20", "layout"}},
		{link.IllegalAddress, read, true, []string{"holding 100–224", "counts from 0", "40001"}},
		{link.IllegalAddress, "read file 1, records 0–9", true, []string{"files count from 1"}},
		{link.IllegalValue, read, true, []string{"limits.registers"}},
		{link.ServerFailure, read, false, []string{"display"}},
		{link.Acknowledge, read, false, []string{"busy"}},
		{link.Busy, read, false, []string{"busy"}},
		{link.ParityError, read, false, []string{"memory"}},
		{link.GatewayPath, read, false, []string{"unit number", "gateway"}},
		{link.GatewaySilent, read, false, []string{"gateway", "powered"}},
		{link.Exception(0x63), read, false, []string{"63", "manual"}},
		{fmt.Errorf("reading: %w", link.IllegalAddress), read, true, []string{"counts from 0"}},
		{link.FrameError("nonsense"), read, false, []string{"nonsense", "Modbus TCP server"}},
		{io.EOF, read, false, []string{"closed by the other side", "few connections"}},
		{&net.DNSError{Err: "no such host", Name: "elevatr", IsNotFound: true}, read, false, []string{"elevatr", "spelling"}},
		{context.DeadlineExceeded, read, false, []string{"no answer in time", "powered"}},
	} {
		err := link.Classify("10.0.0.11:502 unit 1", c.op, c.err)
		var told *sources.Error
		if !errors.As(err, &told) || told.Permanent != c.permanent || !errors.Is(err, c.err) {
			t.Errorf("%v: %#v", c.err, err)
			continue
		}
		for _, w := range append(c.words, "10.0.0.11:502 unit 1", c.op) {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%q doesn't say %q", err, w)
			}
		}
		if again := link.Classify("elsewhere", "other", err); again != err {
			t.Errorf("classified twice: %v", again)
		}
	}
	if link.Classify("x", "y", nil) != nil || link.Classify("x", "y", context.Canceled) != context.Canceled {
		t.Error("nil and a cancelled context must stay what they are")
	}
}

// Real errors of this computer's own network.
func TestErrorsOfTheNetwork(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	eachClient(t, func(t *testing.T, dial func(string, time.Duration) link.Dial) {
		e := link.NewEndpoint(addr, dial(addr, 5*time.Second), 1, 0)
		defer e.Close()
		held := false
		for range 20 {
			_, err := e.Read(t.Context(), 1, one)
			if err == nil || !strings.Contains(err.Error(), "connection refused") || strings.Contains(err.Error(), "dial tcp") ||
				!strings.Contains(err.Error(), "port") {
				t.Errorf("%v", err)
			}
			held = held || strings.Contains(err.Error(), "tried again in")
		}
		if !held {
			t.Error("the second attempt should be held off and say until when")
		}
		s := serve(t, func(int, string) answer { return answer{hangUp: true} })
		e2 := link.NewEndpoint(s.addr, dial(s.addr, 5*time.Second), 1, 0)
		defer e2.Close()
		if _, err := e2.Read(t.Context(), 1, one); err == nil || !strings.Contains(err.Error(), "closed by the other side") {
			t.Errorf("%v", err)
		}
	})
}

func TestRetry(t *testing.T) {
	busyFor := func(n int, e link.Exception) func() (int, error) {
		calls := 0
		return func() (int, error) {
			calls++
			if calls <= n {
				return calls, fmt.Errorf("reading: %w", e)
			}
			return calls, nil
		}
	}
	for _, c := range []struct {
		name          string
		e             link.Exception
		fails         int
		calls         int
		ok            bool
		least, atMost time.Duration
	}{
		{"busy for a while", link.Busy, 6, 7, true, 200 * time.Millisecond, 2 * time.Second},
		{"still working", link.Acknowledge, 6, 7, true, 200 * time.Millisecond, 2 * time.Second},
		{"busy for ever", link.Busy, 1000, 0, false, 8 * time.Second, 10 * time.Second},
		{"failed twice", link.ServerFailure, 2, 3, true, 50 * time.Millisecond, time.Second},
		{"failed for ever", link.ServerFailure, 1000, 3, false, 50 * time.Millisecond, time.Second},
		{"parity once", link.ParityError, 1, 2, true, 20 * time.Millisecond, time.Second},
		{"parity for ever", link.ParityError, 1000, 2, false, 20 * time.Millisecond, time.Second},
		{"illegal address", link.IllegalAddress, 1000, 1, false, 0, 0},
		{"gateway", link.GatewaySilent, 1000, 1, false, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				start := time.Now()
				calls, err := link.Retry(t.Context(), busyFor(c.fails, c.e))
				took := time.Since(start)
				if (err == nil) != c.ok || c.calls > 0 && calls != c.calls || took < c.least || took > c.atMost {
					t.Errorf("%d calls in %v, %v", calls, took, err)
				}
				if err != nil && !errors.Is(err, c.e) {
					t.Errorf("%v", err)
				}
			})
		})
	}
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		start := time.Now()
		if _, err := link.Retry(ctx, busyFor(1000, link.Busy)); !errors.Is(err, context.DeadlineExceeded) || time.Since(start) != time.Second {
			t.Errorf("%v after %v", err, time.Since(start))
		}
	})
}
