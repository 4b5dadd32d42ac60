package drivesim_test

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"os"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/sources/drivesim"
)

// caller is a client of a few lines, so that the server is tried by bytes.
type caller struct {
	t    *testing.T
	conn net.Conn
	in   *bufio.Reader
	id   uint16
}

func dial(t *testing.T, m *drivesim.Memory) *caller {
	t.Helper()
	c, err := m.Dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return &caller{t: t, conn: c, in: bufio.NewReader(c)}
}

// ask sends a PDU and reads the answer's transaction and PDU within a second.
func (c *caller) ask(unit byte, pdu ...byte) (uint16, []byte, error) {
	c.id++
	b := binary.BigEndian.AppendUint16(nil, c.id)
	b = append(b, 0, 0, 0, byte(1+len(pdu)), unit)
	_ = c.conn.SetDeadline(time.Now().Add(time.Second))
	if _, err := c.conn.Write(append(b, pdu...)); err != nil {
		return 0, nil, err
	}
	return c.answer()
}

func (c *caller) answer() (uint16, []byte, error) {
	head := make([]byte, 7)
	if _, err := io.ReadFull(c.in, head); err != nil {
		return 0, nil, err
	}
	out := make([]byte, binary.BigEndian.Uint16(head[4:])-1)
	_, err := io.ReadFull(c.in, out)
	return binary.BigEndian.Uint16(head), out, err
}

// read asks for the recording counter of a block drive.
func (c *caller) read() (uint16, []byte, error) { return c.ask(1, 3, 0, 20, 0, 2) }

// bubble runs a test with a served drive in virtual time.
func bubble(t *testing.T, spec drivesim.Spec, b drivesim.Behaviour, f func(t *testing.T, d *drivesim.Drive, s *drivesim.Server, m *drivesim.Memory)) {
	synctest.Test(t, func(t *testing.T) {
		m := drivesim.NewMemory()
		d := drivesim.New(spec, time.Now())
		s := drivesim.Serve(t.Context(), m, map[uint8]*drivesim.Drive{1: d}, b)
		f(t, d, s, m)
		s.Close()
	})
}

const timedOut, closed, fine = "timed out", "closed", "fine"

func fate(err error) string {
	switch {
	case err == nil:
		return fine
	case errors.Is(err, os.ErrDeadlineExceeded):
		return timedOut
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.ErrClosedPipe):
		return closed
	}
	return err.Error()
}

func TestMisbehaviour(t *testing.T) {
	for name, c := range map[string]struct {
		action drivesim.Action
		fate   string
		pdu    string
		took   time.Duration
	}{
		"none":       {drivesim.Action{}, fine, "\x03\x04\x00\x00\x00\x00", 3 * ms},
		"slow":       {drivesim.Action{Delay: 700 * ms}, fine, "\x03\x04\x00\x00\x00\x00", 703 * ms},
		"too slow":   {drivesim.Action{Delay: 2 * sec}, timedOut, "", sec},
		"busy":       {drivesim.Action{Exception: 6}, fine, "\x83\x06", 3 * ms},
		"silent":     {drivesim.Action{Silent: true}, timedOut, "", sec},
		"closed":     {drivesim.Action{Close: true}, closed, "", 3 * ms},
		"cut header": {drivesim.Action{Cut: 4}, closed, "", 3 * ms},
		"cut data":   {drivesim.Action{Cut: 9}, closed, "", 3 * ms},
		"short":      {drivesim.Action{Short: true}, fine, "\x03\x02\x00\x00", 3 * ms},
	} {
		t.Run(name, func(t *testing.T) {
			b := drivesim.Behaviour{Latency: 3 * ms, Misbehave: func(drivesim.Request) drivesim.Action { return c.action }}
			bubble(t, quick(nil), b, func(t *testing.T, d *drivesim.Drive, s *drivesim.Server, m *drivesim.Memory) {
				client := dial(t, m)
				begun := time.Now()
				id, pdu, err := client.read()
				if fate(err) != c.fate || err == nil && (string(pdu) != c.pdu || id != 1) {
					t.Errorf("%s: transaction %d, % X", fate(err), id, pdu)
				}
				if took := time.Since(begun); took != c.took {
					t.Errorf("took %v, want %v", took, c.took)
				}
				client.conn.Close()
			})
		})
	}
}

// What a script sees is the request, and what it does before the answer shows in it.
func TestScript(t *testing.T) {
	var seen []drivesim.Request
	var d *drivesim.Drive
	b := drivesim.Behaviour{Misbehave: func(r drivesim.Request) drivesim.Action {
		seen = append(seen, r)
		switch r.Number {
		case 2:
			return drivesim.Action{Before: func() { d.Replace(time.Now()) }}
		case 3:
			return drivesim.Action{WrongID: true}
		case 4:
			return drivesim.Action{Twice: true}
		}
		return drivesim.Action{}
	}}
	bubble(t, quick(nil), b, func(t *testing.T, served *drivesim.Drive, s *drivesim.Server, m *drivesim.Memory) {
		d = served
		c := dial(t, m)
		for i, want := range []string{"\x03\x04\x00\x00\x00\x00", "\x03\x04\x00\x00\x00\x01"} {
			if _, pdu, err := c.read(); err != nil || string(pdu) != want {
				t.Errorf("request %d: % X, %v", i+1, pdu, err)
			}
		}
		if id, _, _ := c.read(); id == 3 {
			t.Error("the transaction identifier is right")
		}
		first, _, _ := c.read()
		second, pdu, err := c.answer()
		if first != 4 || second != 4 || err != nil || string(pdu) != "\x03\x04\x00\x00\x00\x01" {
			t.Errorf("answers %d and %d, % X, %v", first, second, pdu, err)
		}
		if r := seen[0]; r.Function != 3 || r.Address != 20 || r.Count != 2 || r.Unit != 1 || r.Connection != 1 {
			t.Errorf("the script saw %+v", r)
		}
		if n := s.Counts(); n.Requests != 4 || n.ByFunction[3] != 4 || n.Connections != 1 || n.Open != 1 {
			t.Errorf("counts %+v", n)
		}
		c.conn.Close()
	})
}

func TestConnectionLimitAndBlackHole(t *testing.T) {
	bubble(t, quick(nil), drivesim.Behaviour{Connections: 1}, func(t *testing.T, d *drivesim.Drive, s *drivesim.Server, m *drivesim.Memory) {
		first, second := dial(t, m), dial(t, m)
		if _, _, err := second.read(); fate(err) != closed {
			t.Errorf("a second connection: %s", fate(err))
		}
		if _, _, err := first.read(); err != nil {
			t.Errorf("the first connection: %v", err)
		}
		first.conn.Close()
		synctest.Wait()
		third := dial(t, m)
		if _, _, err := third.read(); err != nil {
			t.Errorf("after the first is gone: %v", err)
		}
		s.Set(drivesim.Behaviour{BlackHole: true})
		if _, _, err := third.read(); fate(err) != timedOut {
			t.Errorf("into the black hole: %s", fate(err))
		}
		if n := s.Counts(); n.Refused != 1 || n.Silent != 1 || n.Most != 1 {
			t.Errorf("counts %+v", n)
		}
		third.conn.Close()
	})
}

// A power cut kills connections for good, also when power is back before the
// next request.
func TestPowerCutKillsConnections(t *testing.T) {
	bubble(t, quick(nil), drivesim.Behaviour{}, func(t *testing.T, d *drivesim.Drive, s *drivesim.Server, m *drivesim.Memory) {
		old := dial(t, m)
		if _, _, err := old.read(); err != nil {
			t.Fatal(err)
		}
		d.CutPower(time.Now(), sec)
		during := dial(t, m)
		if _, _, err := during.read(); fate(err) != closed {
			t.Errorf("without power: %s", fate(err))
		}
		time.Sleep(2 * sec)
		if _, _, err := old.read(); fate(err) != closed {
			t.Errorf("the old connection: %s", fate(err))
		}
		again := dial(t, m)
		if _, _, err := again.read(); err != nil {
			t.Errorf("after power is back: %v", err)
		}
		again.conn.Close()
	})
}

// A gateway stays up, and answers for a drive without power with 0B, for one
// it doesn't know with 0A (Modbus Application Protocol Specification V1.1b3, §7).
func TestGateway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := drivesim.NewMemory()
		a, b := drivesim.New(quick(nil), time.Now()), drivesim.New(quick(nil), time.Now())
		s := drivesim.Serve(t.Context(), m, map[uint8]*drivesim.Drive{1: a, 2: b}, drivesim.Behaviour{})
		b.Replace(time.Now())
		b.Replace(time.Now())
		c := dial(t, m)
		ask := func(unit byte, want string) {
			t.Helper()
			if _, pdu, err := c.ask(unit, 3, 0, 20, 0, 2); err != nil || string(pdu) != want {
				t.Errorf("unit %d: % X, %v", unit, pdu, err)
			}
		}
		ask(1, "\x03\x04\x00\x00\x00\x00")
		ask(2, "\x03\x04\x00\x00\x00\x02")
		ask(9, "\x83\x0a")
		b.CutPower(time.Now(), sec)
		ask(2, "\x83\x0b")
		ask(1, "\x03\x04\x00\x00\x00\x00")
		c.conn.Close()
		s.Close()
	})
}

// Random misbehaviour keeps to its odds and to its seed.
func TestRandomOdds(t *testing.T) {
	count := func(seed uint64) (kinds [4]int) {
		script := drivesim.Random(seed, drivesim.Odds{Busy: 0.1, Silent: 0.05, Cut: 0.2, ReadsOnly: true})
		for range 4000 {
			a := script(drivesim.Request{Function: 3})
			switch {
			case a.Exception == 6:
				kinds[0]++
			case a.Silent:
				kinds[1]++
			case a.Cut > 0:
				kinds[2]++
			}
			if a := script(drivesim.Request{Function: 6}); a.Exception != 0 || a.Silent || a.Cut > 0 {
				kinds[3]++
			}
		}
		return kinds
	}
	k := count(1)
	// Four standard deviations of a binomial count.
	if k[0] < 324 || k[0] > 476 || k[1] < 145 || k[1] > 255 || k[2] < 699 || k[2] > 901 || k[3] != 0 {
		t.Errorf("busy, silent, cut, spared: %v", k)
	}
	if k != count(1) || k == count(2) {
		t.Error("the seed doesn't decide")
	}
}

// Over TCP, from several sides at once, while the drive lives its life.
func TestConcurrentTCP(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	d := drivesim.New(quick(func(s *drivesim.Spec) {
		s.Recorder = drivesim.Recorder{Samples: 64, Interval: 100 * time.Microsecond, SelfArm: true}
		s.Plan = drivesim.Plan{Mean: 5 * ms, ResetMin: 10 * ms, ResetMax: 20 * ms}
	}), time.Now())
	ctx, cancel := context.WithCancel(t.Context())
	s := drivesim.Serve(ctx, l, map[uint8]*drivesim.Drive{1: d}, drivesim.Behaviour{})
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			conn, err := net.Dial("tcp", s.Addr().String())
			if err != nil {
				t.Error(err)
				return
			}
			defer conn.Close()
			c := &caller{t: t, conn: conn, in: bufio.NewReader(conn)}
			for range 200 {
				if _, pdu, err := c.read(); err != nil || len(pdu) != 6 {
					t.Errorf("% X, %v", pdu, err)
					return
				}
			}
		})
	}
	wg.Wait()
	cancel()
	s.Close()
	if n := s.Counts(); n.Requests != 800 || n.Open != 0 {
		t.Errorf("counts %+v", n)
	}
	if len(d.Truth(time.Now())) == 0 {
		t.Error("nothing happened")
	}
}
