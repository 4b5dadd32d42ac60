package drivesim

import (
	"bufio"
	"context"
	"net"
	"sync"
	"time"
)

// Server is a Modbus TCP server in front of one drive, or of several as a
// gateway is.
type Server struct {
	listener net.Listener
	units    map[uint8]*Drive
	stop     context.CancelFunc
	done     sync.WaitGroup

	mu        sync.Mutex
	behaviour Behaviour
	open      map[net.Conn]bool
	counts    Counts
}

// Counts are what a server has seen.
type Counts struct {
	Requests    int
	ByFunction  map[uint8]int
	Exceptions  int // answers that were exceptions
	Silent      int // requests never answered
	Connections int // accepted and served
	Refused     int // accepted and closed at once
	Open        int // right now
	Most        int // most open at once
}

// Serve answers on a listener until ctx ends or Close is called. It returns at
// once and owns the listener. A server with one drive answers for that drive
// whatever the unit; with more it is a gateway, which stays up when a drive
// loses power and answers for it with exception 0B.
func Serve(ctx context.Context, l net.Listener, units map[uint8]*Drive, b Behaviour) *Server {
	ctx, stop := context.WithCancel(ctx)
	s := &Server{listener: l, units: units, stop: stop, behaviour: b,
		open: map[net.Conn]bool{}, counts: Counts{ByFunction: map[uint8]int{}}}
	context.AfterFunc(ctx, func() {
		l.Close()
		s.Drop()
	})
	s.done.Go(func() { s.accept(ctx) })
	return s
}

// Addr is where the server listens.
func (s *Server) Addr() net.Addr { return s.listener.Addr() }

// Set changes the behaviour from the next request and connection on.
func (s *Server) Set(b Behaviour) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.behaviour = b
}

// Counts are what the server has seen so far.
func (s *Server) Counts() Counts {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.counts
	c.Open = len(s.open)
	c.ByFunction = make(map[uint8]int, len(s.counts.ByFunction))
	for f, n := range s.counts.ByFunction {
		c.ByFunction[f] = n
	}
	return c
}

// Drop closes every connection; clients may come again.
func (s *Server) Drop() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for c := range s.open {
		c.Close()
	}
}

// Close stops the server and waits until its connections are gone.
func (s *Server) Close() error {
	s.stop()
	s.done.Wait()
	return nil
}

func (s *Server) accept(ctx context.Context) {
	for ctx.Err() == nil {
		c, err := s.listener.Accept()
		if err != nil {
			if ctx.Err() == nil && pause(ctx, 10*time.Millisecond) {
				continue
			}
			return
		}
		if number := s.admit(ctx, c); number > 0 {
			s.done.Go(func() {
				s.serve(ctx, c, number)
				s.mu.Lock()
				delete(s.open, c)
				s.mu.Unlock()
				c.Close()
			})
		}
	}
}

// admit takes a connection in and numbers it; 0: it was closed.
func (s *Server) admit(ctx context.Context, c net.Conn) int {
	up, _ := s.power(time.Now())
	s.mu.Lock()
	defer s.mu.Unlock()
	limit := s.behaviour.Connections
	if !up || limit > 0 && len(s.open) >= limit || ctx.Err() != nil {
		s.counts.Refused++
		c.Close()
		return 0
	}
	s.open[c] = true
	s.counts.Connections++
	s.counts.Most = max(s.counts.Most, len(s.open))
	return s.counts.Connections
}

// power tells whether the server itself has power, and its number of cuts. A
// gateway has its own supply.
func (s *Server) power(now time.Time) (on bool, cuts int) {
	if len(s.units) != 1 {
		return true, 0
	}
	for _, d := range s.units {
		return d.Powered(now)
	}
	return true, 0
}

func (s *Server) serve(ctx context.Context, c net.Conn, number int) {
	_, born := s.power(time.Now())
	in := bufio.NewReaderSize(c, 512)
	for {
		f, err := readFrame(in)
		if err != nil {
			return
		}
		r := request(f)
		r.Connection, r.Time = number, time.Now()
		b, a := s.decide(&r)
		if b.BlackHole {
			s.silent()
			continue
		}
		delay := b.Latency + a.Delay
		if b.Jitter > 0 {
			delay += time.Duration(mix(uint64(r.Number), uint64(b.Jitter), 0) % uint64(b.Jitter))
		}
		if delay > 0 && !pause(ctx, delay) {
			return
		}
		if on, cuts := s.power(time.Now()); !on || cuts != born || a.Close {
			return // a connection from before a power cut is dead
		}
		if a.Before != nil {
			a.Before()
		}
		if !s.reply(c, f, a) {
			return
		}
	}
}

// decide counts a request and asks the script.
func (s *Server) decide(r *Request) (Behaviour, Action) {
	s.mu.Lock()
	s.counts.Requests++
	s.counts.ByFunction[r.Function]++
	r.Number = s.counts.Requests
	b := s.behaviour
	s.mu.Unlock()
	var a Action
	if b.Misbehave != nil {
		a = b.Misbehave(*r)
	}
	return b, a
}

func (s *Server) silent() {
	s.mu.Lock()
	s.counts.Silent++
	s.mu.Unlock()
}

// reply answers a request; false: the connection is to be closed.
func (s *Server) reply(c net.Conn, f frame, a Action) bool {
	answer := frame{transaction: f.transaction, unit: f.unit, pdu: refuse(f.pdu[0], a.Exception)}
	if a.Exception == 0 {
		answer.pdu = s.ask(f)
	}
	if answer.pdu == nil || a.Silent {
		s.silent()
		return true
	}
	if answer.pdu[0]&0x80 != 0 {
		s.mu.Lock()
		s.counts.Exceptions++
		s.mu.Unlock()
	} else if a.Short {
		answer.pdu = shorten(answer.pdu)
	}
	if a.WrongID {
		answer.transaction += 0x1111
	}
	b := answer.bytes()
	switch {
	case a.Garbage:
		b = []byte("HTTP/1.0 400 Bad Request\r\n\r\n")
	case a.Twice:
		b = append(b, b...)
	case a.Cut > 0 && a.Cut < len(b):
		_, _ = c.Write(b[:a.Cut])
		return false
	}
	_, err := c.Write(b)
	return err == nil
}

func (s *Server) ask(f frame) []byte {
	if len(s.units) == 1 {
		for _, d := range s.units {
			return d.Answer(time.Now(), f.pdu)
		}
	}
	d, ok := s.units[f.unit]
	if !ok {
		return refuse(f.pdu[0], excGatewayPath)
	}
	if pdu := d.Answer(time.Now(), f.pdu); pdu != nil {
		return pdu
	}
	return refuse(f.pdu[0], excGatewayDead)
}

// pause waits; false: ctx ended first.
func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
