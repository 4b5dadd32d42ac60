package drivesim

import (
	"encoding/binary"
	"math/rand/v2"
	"sync"
	"time"
)

// Behaviour says how a server treats its clients. The zero Behaviour answers
// everything at once.
type Behaviour struct {
	Latency     time.Duration // from request to answer
	Jitter      time.Duration // up to so much more
	Connections int           // most at once, further ones are closed at once; 0: any number
	BlackHole   bool          // takes connections and requests and never answers
	Misbehave   Script        // nil: never
}

// Script decides what becomes of a request. It may be called from several
// connections at once.
type Script func(Request) Action

// Request is a request as a Script sees it.
type Request struct {
	Time       time.Time
	Number     int // of the server's requests, from 1
	Connection int // of the server's connections, from 1
	Unit       uint8
	Function   uint8
	Address    uint16 // file records: the record
	Count      uint16 // registers or bits; file records: words of the first group
	File       uint16
}

// Action is what a Script wants done. The zero Action: a normal answer.
type Action struct {
	Delay     time.Duration // before the answer, on top of the latency
	Exception byte          // answer with this exception, without doing anything
	Silent    bool          // do it, but never answer
	Close     bool          // close the connection instead of answering
	Cut       int           // send only so many bytes of the answer, then close
	WrongID   bool          // answer with another transaction identifier
	Short     bool          // leave the last register of the answer away, lengths adjusted
	Garbage   bool          // an answer that isn't Modbus
	Twice     bool          // send the answer two times
	Before    func()        // called before the request is carried out, such as to replace the recording
}

// Odds are the chances by which a random Script misbehaves, each 0 to 1.
type Odds struct {
	Busy, Acknowledge, Failure  float64 // exceptions 06, 05, 04
	Silent, Close, Cut, WrongID float64
	Short, Garbage, Twice       float64
	Delay                       float64
	DelayMost                   time.Duration
	ReadsOnly                   bool // spare the writes
}

// Random is a Script that misbehaves by the odds, the same for the same seed
// and sequence of requests.
func Random(seed uint64, o Odds) Script {
	var mu sync.Mutex
	rng := rand.New(rand.NewPCG(seed, 0x6f646473))
	return func(r Request) Action {
		mu.Lock()
		defer mu.Unlock()
		var a Action
		if rng.Float64() < o.Delay {
			a.Delay = time.Duration(rng.Float64() * float64(o.DelayMost))
		}
		dice := rng.Float64()
		cut := 1 + rng.IntN(12)
		if o.ReadsOnly && writes(r.Function) {
			return a
		}
		hit := func(chance float64) bool {
			dice -= chance
			return dice < 0
		}
		switch {
		case hit(o.Busy):
			a.Exception = excBusy
		case hit(o.Acknowledge):
			a.Exception = 0x05
		case hit(o.Failure):
			a.Exception = 0x04
		case hit(o.Silent):
			a.Silent = true
		case hit(o.Close):
			a.Close = true
		case hit(o.Cut):
			a.Cut = cut
		case hit(o.WrongID):
			a.WrongID = true
		case hit(o.Short):
			a.Short = true
		case hit(o.Garbage):
			a.Garbage = true
		case hit(o.Twice):
			a.Twice = true
		}
		return a
	}
}

func writes(function uint8) bool {
	switch function {
	case fcWriteCoil, fcWriteRegister, fcWriteCoils, fcWriteMany:
		return true
	}
	return false
}

// request reads from a frame what a Script wants to know.
func request(f frame) Request {
	r := Request{Unit: f.unit, Function: f.pdu[0]}
	if r.Function == fcReadFile {
		if len(f.pdu) >= 9 {
			r.File = binary.BigEndian.Uint16(f.pdu[3:])
			r.Address = binary.BigEndian.Uint16(f.pdu[5:])
			r.Count = binary.BigEndian.Uint16(f.pdu[7:])
		}
		return r
	}
	if len(f.pdu) >= 5 {
		r.Address = binary.BigEndian.Uint16(f.pdu[1:])
		r.Count = binary.BigEndian.Uint16(f.pdu[3:])
	}
	if r.Function == fcWriteCoil || r.Function == fcWriteRegister {
		r.Count = 1
	}
	return r
}

// shorten takes the last register away from an answer with data.
func shorten(pdu []byte) []byte {
	switch {
	case pdu[0] >= fcReadCoils && pdu[0] <= fcReadInput && pdu[1] > 2:
		pdu = append([]byte(nil), pdu[:len(pdu)-2]...)
		pdu[1] -= 2
	case pdu[0] == fcReadFile && pdu[2] > 3:
		pdu = append([]byte(nil), pdu[:len(pdu)-2]...)
		pdu[1] -= 2
		pdu[2] -= 2
	}
	return pdu
}
