package link_test

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
)

// clients are the two that must behave alike.
var clients = map[string]func(string, time.Duration) link.Dial{"library": link.DialTCP, "our own": link.DialRaw}

func eachClient(t *testing.T, f func(t *testing.T, dial func(string, time.Duration) link.Dial)) {
	for name, dial := range clients {
		t.Run(name, func(t *testing.T) { f(t, dial) })
	}
}

// server answers frames as a test says, byte for byte. It shares no code with
// the clients.
type server struct {
	addr     string
	accepted atomic.Int32
	mu       sync.Mutex
	requests []string // unit and PDU in hex
}

// answer gives the bytes to send for a request; its first two bytes, the
// transaction, are put in by the server unless whole is set.
type answer struct {
	hex    string // after the transaction: protocol, length, unit, PDU
	whole  bool
	delay  time.Duration
	hangUp bool
}

func serve(t testing.TB, reply func(n int, request string) answer) *server {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &server{addr: l.Addr().String()}
	var all sync.WaitGroup
	var conns sync.Map
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			s.accepted.Add(1)
			conns.Store(c, true)
			all.Go(func() {
				defer c.Close()
				for {
					head := make([]byte, 6)
					if _, err := io.ReadFull(c, head); err != nil {
						return
					}
					body := make([]byte, int(head[4])<<8|int(head[5]))
					if _, err := io.ReadFull(c, body); err != nil {
						return
					}
					request := strings.ToUpper(hex.EncodeToString(body))
					s.mu.Lock()
					s.requests = append(s.requests, request)
					n := len(s.requests)
					s.mu.Unlock()
					a := reply(n, request)
					time.Sleep(a.delay)
					out, err := hex.DecodeString(strings.ReplaceAll(a.hex, " ", ""))
					if err != nil {
						panic(err)
					}
					if !a.whole && len(out) > 0 {
						out = append(head[:2:2], out...)
					}
					c.Write(out)
					if a.hangUp {
						return
					}
				}
			})
		}
	})
	t.Cleanup(func() {
		l.Close()
		conns.Range(func(c, _ any) bool { c.(net.Conn).Close(); return true })
		all.Wait()
	})
	return s
}

func (s *server) got() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string(nil), s.requests...)
}

func open(t testing.TB, d link.Dial) link.Link {
	t.Helper()
	l, err := d(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func TestClientsReadAndWrite(t *testing.T) {
	// Unit and PDU of the request, answer after the transaction. The frames
	// follow Modbus Application Protocol V1.1b3 §6.1–§6.6 and §6.12.
	cases := []struct {
		read          regmap.Read
		write         *regmap.Write
		request, sent string
		want          []byte
	}{
		{read: regmap.Read{Table: regmap.Holding, Address: 0x6B, Count: 3}, request: "1103006B0003",
			sent: "0000 0009 11 03 06 022B 0000 0064", want: []byte{2, 0x2B, 0, 0, 0, 0x64}},
		{read: regmap.Read{Table: regmap.Input, Address: 0xFFFF, Count: 1}, request: "1104FFFF0001",
			sent: "0000 0005 11 04 02 FF80", want: []byte{0xFF, 0x80}},
		{read: regmap.Read{Table: regmap.Coil, Address: 19, Count: 10}, request: "11010013000A",
			sent: "0000 0005 11 01 02 CD01", want: []byte{1, 0, 1, 1, 0, 0, 1, 1, 1, 0}},
		{read: regmap.Read{Table: regmap.Discrete, Address: 0, Count: 8}, request: "110200000008",
			sent: "0000 0004 11 02 01 81", want: []byte{1, 0, 0, 0, 0, 0, 0, 1}},
		{write: &regmap.Write{Table: regmap.Holding, Address: 40, Words: []uint16{0x8001}}, request: "110600288001",
			sent: "0000 0006 11 06 0028 8001"},
		{write: &regmap.Write{Table: regmap.Holding, Address: 40, Words: []uint16{1, 2}}, request: "1110002800020400010002",
			sent: "0000 0006 11 10 0028 0002"},
		{write: &regmap.Write{Table: regmap.Coil, Address: 7, Words: []uint16{1}}, request: "11050007FF00",
			sent: "0000 0006 11 05 0007 FF00"},
		{write: &regmap.Write{Table: regmap.Coil, Address: 7, Words: []uint16{0}}, request: "110500070000",
			sent: "0000 0006 11 05 0007 0000"},
	}
	eachClient(t, func(t *testing.T, dial func(string, time.Duration) link.Dial) {
		s := serve(t, func(n int, _ string) answer { return answer{hex: cases[n-1].sent} })
		l := open(t, dial(s.addr, 5*time.Second))
		for i, c := range cases {
			var got []byte
			var err error
			if c.write != nil {
				err = l.Write(t.Context(), 0x11, *c.write)
			} else {
				got, err = l.Read(t.Context(), 0x11, c.read)
			}
			if err != nil || !bytes.Equal(got, c.want) {
				t.Fatalf("case %d: % X, %v; want % X", i, got, err, c.want)
			}
			if requests := s.got(); requests[i] != c.request {
				t.Errorf("case %d: sent %s, want %s", i, requests[i], c.request)
			}
		}
	})
}

func TestClientsUseTheConnectionOnAfterAnException(t *testing.T) {
	codes := []uint8{1, 2, 3, 4, 5, 6, 7, 8, 0x0A, 0x0B, 0x63}
	eachClient(t, func(t *testing.T, dial func(string, time.Duration) link.Dial) {
		s := serve(t, func(n int, _ string) answer {
			if n%2 == 0 {
				return answer{hex: fmt.Sprintf("0000 0005 01 03 02 %04X", n)}
			}
			return answer{hex: fmt.Sprintf("0000 0003 01 83 %02X", codes[n/2])}
		})
		l := open(t, dial(s.addr, 5*time.Second))
		one := regmap.Read{Table: regmap.Holding, Count: 1}
		for i, code := range codes {
			_, err := l.Read(t.Context(), 1, one)
			var got link.Exception
			if !errors.As(err, &got) || uint8(got) != code || !link.Usable(err) {
				t.Fatalf("%v, want exception %02X", err, code)
			}
			b, err := l.Read(t.Context(), 1, one)
			if err != nil || int(b[1]) != 2*i+2 {
				t.Fatalf("after exception %02X: % X, %v", code, b, err)
			}
		}
		if n := s.accepted.Load(); n != 1 {
			t.Errorf("%d connections, want 1", n)
		}
	})
}
