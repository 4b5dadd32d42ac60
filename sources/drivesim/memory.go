package drivesim

import (
	"context"
	"net"
	"sync"
)

// Memory is a listener without a network, for servers in virtual time.
type Memory struct {
	conns chan net.Conn
	once  sync.Once
	done  chan struct{}
}

// NewMemory makes a listener; Serve takes it like any other.
func NewMemory() *Memory {
	return &Memory{conns: make(chan net.Conn), done: make(chan struct{})}
}

// Dial connects to the listener.
func (m *Memory) Dial(ctx context.Context) (net.Conn, error) {
	client, server := net.Pipe()
	select {
	case m.conns <- server:
		return client, nil
	case <-m.done:
		return nil, net.ErrClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Accept waits for the next Dial.
func (m *Memory) Accept() (net.Conn, error) {
	select {
	case c := <-m.conns:
		return c, nil
	case <-m.done:
		return nil, net.ErrClosed
	}
}

// Close ends Accept and Dial.
func (m *Memory) Close() error {
	m.once.Do(func() { close(m.done) })
	return nil
}

// Addr is a name for messages.
func (m *Memory) Addr() net.Addr { return memoryAddr{} }

type memoryAddr struct{}

func (memoryAddr) Network() string { return "memory" }
func (memoryAddr) String() string  { return "memory" }
