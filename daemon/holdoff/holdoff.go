// Package holdoff is a Modbus TCP server that a plant's PLC reads to learn
// whether the recording of a trip is kept yet, so that it can hold its
// automatic reset back until then. It answers reads of discrete inputs and
// input registers and refuses everything else; nothing can be written to it.
//
// It is no part of any safety function. The PLC decides by a timer of its own
// how long it waits at most, and goes on where the heartbeat stands still:
// faultkeep can never stop a plant.
package holdoff

import (
	"context"
	"fmt"
	"log"
	"log/slog"
	"net"
	"net/netip"
	"strings"
	"sync"
	"time"

	"github.com/simonvetter/modbus"
)

// Drive is what the PLC can learn of one drive.
type Drive struct {
	Name, Title string
	Pending     time.Time // since when a trip or recording waits to be kept or missed; zero: none does
	Pulling     bool      // it is being read
	Kept        bool      // the last one was kept, whole or in part
	Watched     bool      // reachable and armed, recording or ready
	Beats       uint64    // of the watch's pulse; stands still where it hangs
	Keeps       uint32    // captures kept since the watch began
}

// The layout of the table; addresses are PDU addresses, from 0 (Modbus
// Application Protocol V1.1b3). Each drive has a block of its own in discrete
// inputs and input registers, at the same address in both.
const (
	Version = 1  // of the layout
	Block   = 16 // addresses of the head, and of each drive

	HeadVersion   = 0 // input register: Version
	HeadHeartbeat = 1 // input register: heartbeat of all drives together
	HeadDrives    = 2 // input register: number of drives

	InputPending = 0 // discrete input of a drive: a recording is pending
	InputPulling = 1 // it is being pulled
	InputKept    = 2 // the last one was kept
	InputWatched = 3 // the drive is watched; where it isn't, don't wait

	RegisterHeartbeat = 0 // input register of a drive: counts the steps of its watch, and wraps
	RegisterSeconds   = 1 // for how long a recording has been pending, in seconds
	RegisterKeeps     = 2 // captures kept since the watch began, high word; the low word follows
)

// MostDrives is how many blocks the address space has room for.
const MostDrives = 65536/Block - 1

// First is the address of a drive's block, by its place in the list from 0.
func First(place int) uint16 { return uint16(Block * (place + 1)) }

// Server answers the PLC.
type Server struct {
	conf   Config
	allow  []netip.Prefix
	drives func() []Drive
	log    *slog.Logger

	mu    sync.Mutex
	at    time.Time // when the table was made
	bits  []bool
	words []uint16
}

// fresh is how old the table may be that a read is answered from: many reads
// a second must not hold up the watch.
const fresh = 5 * time.Millisecond

// New makes a server over what drives tells, in the order of the table.
func New(c Config, drives func() []Drive, log *slog.Logger) *Server {
	allow, _ := c.networks() // a config with an error in it isn't loaded
	return &Server{conf: c, allow: allow, drives: drives, log: log}
}

// tryAgain is how long Run waits where it can't listen.
const tryAgain = 5 * time.Second

// Run serves until ctx ends. Where it can't listen it says so and tries again:
// that the PLC can't be answered must not keep a drive from being watched.
func (s *Server) Run(ctx context.Context) {
	said := ""
	for ctx.Err() == nil {
		err := s.serve(ctx)
		if err == nil {
			return
		}
		if text := err.Error(); text != said {
			s.log.Error("the hold-off can't be served; a PLC that asks for it gets no answer and doesn't wait", "listen", s.conf.Listen, "error", err)
			said = text
		}
		select {
		case <-ctx.Done():
		case <-time.After(tryAgain):
		}
	}
}

func (s *Server) serve(ctx context.Context) error {
	server, err := modbus.NewServer(&modbus.ServerConfiguration{URL: "tcp://" + s.conf.Listen, Timeout: idle, MaxClients: mostClients,
		Logger: log.New(toLog{s.log}, "", 0)}, s)
	if err != nil {
		return err
	}
	if err := server.Start(); err != nil {
		return err
	}
	s.log.Info("the hold-off is served", "listen", s.conf.Listen, "drives", len(s.drives()))
	<-ctx.Done()
	return server.Stop()
}

const (
	idle        = 30 * time.Second // after which a connection without requests is closed
	mostClients = 16
)

// toLog takes the library's lines, which otherwise go to standard output.
type toLog struct{ log *slog.Logger }

func (l toLog) Write(b []byte) (int, error) {
	l.log.Debug("hold-off: " + strings.TrimSpace(string(b)))
	return len(b), nil
}

// table makes the table anew where it is too old.
func (s *Server) table() (bits []bool, words []uint16) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if now := time.Now(); s.bits == nil || now.Sub(s.at) > fresh || now.Before(s.at) {
		s.bits, s.words = image(s.drives(), now)
		s.at = now
	}
	return s.bits, s.words
}

// image lays the drives out.
func image(drives []Drive, now time.Time) (bits []bool, words []uint16) {
	drives = drives[:min(len(drives), MostDrives)]
	n := Block * (len(drives) + 1)
	bits, words = make([]bool, n), make([]uint16, n)
	words[HeadVersion], words[HeadDrives] = Version, uint16(len(drives))
	for i, d := range drives {
		at := int(First(i))
		bits[at+InputPending], bits[at+InputPulling] = !d.Pending.IsZero(), d.Pulling
		bits[at+InputKept], bits[at+InputWatched] = d.Kept, d.Watched
		words[at+RegisterHeartbeat] = uint16(d.Beats)
		words[HeadHeartbeat] += uint16(d.Beats)
		if !d.Pending.IsZero() {
			words[at+RegisterSeconds] = uint16(min(max(now.Sub(d.Pending).Seconds(), 0), 65535))
		}
		words[at+RegisterKeeps], words[at+RegisterKeeps+1] = uint16(d.Keeps>>16), uint16(d.Keeps)
	}
	return bits, words
}

// may refuses whom the config doesn't name, and other units.
func (s *Server) may(client string, unit uint8) error {
	if s.conf.Unit != nil && unit != *s.conf.Unit {
		return modbus.ErrGWTargetFailedToRespond
	}
	if len(s.allow) == 0 {
		return nil
	}
	host := client
	if h, _, err := net.SplitHostPort(client); err == nil {
		host = h
	}
	a, err := netip.ParseAddr(host)
	if err == nil {
		for _, p := range s.allow {
			if p.Contains(a.Unmap()) {
				return nil
			}
		}
	}
	s.log.Warn("a client that the config doesn't allow asked for the hold-off", "client", client)
	return modbus.ErrIllegalFunction
}

// part is a stretch of a table.
func part[T any](table []T, first, n uint16) ([]T, error) {
	if int(first)+int(n) > len(table) {
		return nil, modbus.ErrIllegalDataAddress
	}
	return table[first : int(first)+int(n)], nil
}

// HandleDiscreteInputs answers function code 2.
func (s *Server) HandleDiscreteInputs(r *modbus.DiscreteInputsRequest) ([]bool, error) {
	if err := s.may(r.ClientAddr, r.UnitId); err != nil {
		return nil, err
	}
	bits, _ := s.table()
	return part(bits, r.Addr, r.Quantity)
}

// HandleInputRegisters answers function code 4.
func (s *Server) HandleInputRegisters(r *modbus.InputRegistersRequest) ([]uint16, error) {
	if err := s.may(r.ClientAddr, r.UnitId); err != nil {
		return nil, err
	}
	_, words := s.table()
	return part(words, r.Addr, r.Quantity)
}

// HandleCoils refuses function codes 1, 5 and 15.
func (s *Server) HandleCoils(*modbus.CoilsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

// HandleHoldingRegisters refuses function codes 3, 6 and 16.
func (s *Server) HandleHoldingRegisters(*modbus.HoldingRegistersRequest) ([]uint16, error) {
	return nil, modbus.ErrIllegalFunction
}

// Row is one drive's block in words, for the list that a PLC's programmer needs.
type Row struct {
	Drive string `json:"drive"`
	Title string `json:"title,omitempty"`
	First uint16 `json:"first"` // PDU address, from 0, of its first discrete input and input register
}

// Rows is the table's layout for drives in this order.
func Rows(names, titles []string) []Row {
	out := make([]Row, len(names))
	for i := range names {
		out[i] = Row{names[i], titles[i], First(i)}
	}
	return out
}

// Reference is an address as the trade writes it: 1xxxxx for discrete inputs,
// 3xxxxx for input registers, counted from 1 (common practice, no source).
func Reference(kind int, address uint16) string { return fmt.Sprintf("%d%05d", kind, int(address)+1) }
