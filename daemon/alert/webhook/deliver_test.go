package webhook_test

import (
	"context"
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/alert"
	"faultkeep/daemon/alert/webhook"
	"faultkeep/store/capture"
)

// A receiver with every bad habit in turn: the alert arrives in the end, under
// one ID, after the pauses that the receiver asked for. The network is in
// memory and time is virtual; the HTTP is real.
func TestDeliveryThroughABadReceiver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		type arrival struct {
			id string
			at time.Duration
		}
		var mu sync.Mutex
		var arrivals []arrival
		began := time.Now()
		handle := func(w http.ResponseWriter, r *http.Request) {
			var e struct{ ID string }
			if err := json.NewDecoder(r.Body).Decode(&e); err != nil {
				t.Error(err)
			}
			mu.Lock()
			arrivals = append(arrivals, arrival{e.ID, time.Since(began)})
			n := len(arrivals)
			mu.Unlock()
			switch n {
			case 1:
				w.WriteHeader(http.StatusInternalServerError)
			case 2:
				w.Header().Set("Retry-After", "120")
				w.WriteHeader(http.StatusTooManyRequests)
			case 3: // hangs until the sender gives up
				<-r.Context().Done()
			case 4: // half an answer, then nothing
				conn, buf, _ := w.(http.Hijacker).Hijack()
				buf.WriteString("HTTP/1.1 20")
				buf.Flush()
				conn.Close()
			case 5: // not HTTP at all
				conn, buf, _ := w.(http.Hijacker).Hijack()
				buf.WriteString("\x00\x01\x02 hello\r\n\r\n")
				buf.Flush()
				conn.Close()
			default:
				w.WriteHeader(http.StatusAccepted)
			}
		}
		network := newPipes()
		server := &http.Server{Handler: http.HandlerFunc(handle)}
		go server.Serve(network)
		defer server.Close()

		s := webhook.New(webhook.Config{URL: "http://alarms.northquay.example/hook"}, "")
		s.Over(network.dial)
		b := &outbox{waiting: make(chan struct{})}
		b.queue = []capture.Message{{Seq: 1, Alert: trip}, {Seq: 2, Alert: capture.Alert{ID: "second"}}}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			alert.NewDispatcher(b, alert.Options{Sinks: map[string]alert.Sink{"hook": s}}).Run(ctx)
		}()
		time.Sleep(time.Hour)
		cancel()
		<-done

		mu.Lock()
		defer mu.Unlock()
		var order []string
		for _, a := range arrivals {
			order = append(order, a.id)
		}
		if diff := cmp.Diff([]string{trip.ID, trip.ID, trip.ID, trip.ID, trip.ID, trip.ID, "second"}, order); diff != "" {
			t.Fatal(diff)
		}
		if pause := arrivals[2].at - arrivals[1].at; pause != 2*time.Minute {
			t.Errorf("asked to wait 120 s, waited %s", pause)
		}
		if len(b.queue) > 0 {
			t.Errorf("left in the outbox: %+v", b.queue)
		}
	})
}

// outbox is the least that a dispatcher needs, for one sink.
type outbox struct {
	mu      sync.Mutex
	queue   []capture.Message
	waiting chan struct{}
}

func (b *outbox) Waiting() <-chan struct{} { return b.waiting }

func (b *outbox) Due(context.Context, string, time.Time, int) (due []capture.Message, next time.Time, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append(due, b.queue...), next, nil
}

func (b *outbox) Seal(context.Context, string, uint64) (m capture.Message, there bool, err error) {
	return m, false, errors.New("nothing here is told together")
}

func (b *outbox) Accepted(_ context.Context, _ string, seq uint64) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.queue[0].Seq == seq {
		b.queue = b.queue[1:]
	}
	return nil
}

func (b *outbox) Retry(_ context.Context, _ string, _ uint64, next time.Time, why string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.queue[0].Tries, b.queue[0].Next, b.queue[0].LastError = b.queue[0].Tries+1, next, why
	return nil
}

func (b *outbox) SetAside(ctx context.Context, sink string, seq uint64, _ string) error {
	return b.Accepted(ctx, sink, seq)
}

// pipes is a network in memory: a listener whose connections tests dial.
type pipes struct {
	conns  chan net.Conn
	closed chan struct{}
	once   sync.Once
}

func newPipes() *pipes { return &pipes{conns: make(chan net.Conn), closed: make(chan struct{})} }

func (p *pipes) dial(context.Context, string, string) (net.Conn, error) {
	here, there := net.Pipe()
	select {
	case p.conns <- there:
		return here, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error   { p.once.Do(func() { close(p.closed) }); return nil }
func (p *pipes) Addr() net.Addr { return &net.UnixAddr{Name: "pipes"} }
