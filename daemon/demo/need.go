package demo

import (
	"sync"
	"time"

	"faultkeep/sources/drivesim"
	"faultkeep/sources/modbus"
)

// need is the time for which a recording must stay readable to be winnable:
//
//	poll interval + requests × round trip + one commit
//
// Requests are those of a whole pull by the drive's Race, spread over the
// connections that a pull uses. The round trip is the longest that the
// simulated server takes, plus what this computer was measured to add; the
// commit is as measured. A windowed drive takes its own time to show a page; as
// far as that is longer than the round trip of the request that waits for it,
// it is added for every page. There is nothing else in it, such as an allowance
// for a drive whose power has only just come back. (Time in which this whole
// process stood still doesn't count as readable: see Evidence.Stalls.)
func need(d *Simulated, race modbus.Race, overhead time.Duration) time.Duration {
	roundTrip := d.Behaviour.Latency + d.Behaviour.Jitter + overhead
	requests, connections := race.Requests, max(1, race.Connections)
	if requests == 0 { // no pull ever began: the least that one takes
		requests = leastRequests(d.Spec)
	}
	commit := race.Commit
	if commit == 0 {
		commit = typicalCommit
	}
	pull := time.Duration((requests+connections-1)/connections) * roundTrip
	return race.Poll + pull + turning(d.Spec, roundTrip) + commit
}

// typicalCommit stands in where nothing was ever committed.
const typicalCommit = 10 * time.Millisecond

// turning is how much longer than its round trips the drive takes to show all pages.
func turning(s drivesim.Spec, roundTrip time.Duration) time.Duration {
	if s.Face != drivesim.Window {
		return 0
	}
	pages := (registers(s) + s.Recorder.Window - 1) / s.Recorder.Window
	return time.Duration(pages) * max(0, s.Recorder.Settle-roundTrip)
}

func leastRequests(s drivesim.Spec) int { return (registers(s) + s.MaxRead - 1) / s.MaxRead }

// registers is the number of registers of a recording, two where a sample has 32 bits.
func registers(s drivesim.Spec) int {
	n := len(s.Recorder.Channels) * s.Recorder.Samples
	switch s.Recorder.Type {
	case "int32", "uint32", "float32":
		n *= 2
	}
	return n
}

// overheads measures what this computer adds to the simulated latency, drive
// by drive: the mean over the moments at which a pull ended.
type overheads struct {
	mu  sync.Mutex
	sum map[string]time.Duration
	n   map[string]int
}

func newOverheads() *overheads {
	return &overheads{sum: map[string]time.Duration{}, n: map[string]int{}}
}

func (o *overheads) add(drive string, roundTrip time.Duration, b drivesim.Behaviour) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.sum[drive] += max(0, roundTrip-b.Latency-b.Jitter/2)
	o.n[drive]++
}

func (o *overheads) of(drive string) time.Duration {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.sum[drive] / time.Duration(max(1, o.n[drive]))
}
