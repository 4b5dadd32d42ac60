package demo

import (
	"testing"
	"time"

	"faultkeep/sources/drivesim"
	"faultkeep/sources/modbus"
)

// Poll interval + requests × round trip + one commit, worked out by hand.
func TestNeed(t *testing.T) {
	const ms = time.Millisecond
	of := func(s drivesim.Spec) *Simulated {
		s.Name = "x"
		return &Simulated{Spec: drivesim.New(s, time.Now()).Spec(), Behaviour: drivesim.Behaviour{Latency: 2 * ms, Jitter: 500 * time.Microsecond}}
	}
	block := of(drivesim.Spec{}) // 8 × 1024 registers
	for name, c := range map[string]struct {
		drive *Simulated
		race  modbus.Race
		want  time.Duration
	}{
		// 250 + 70 × (2 + 0.5 + 0.5) + 20
		"one connection": {block, modbus.Race{Poll: 250 * ms, Requests: 70, Connections: 1, Commit: 20 * ms}, 480 * ms},
		// 250 + 18 × 3 + 20: of 70 requests on four connections one makes 18
		"four connections": {block, modbus.Race{Poll: 250 * ms, Requests: 70, Connections: 4, Commit: 20 * ms}, 324 * ms},
		// 250 + 66 × 3 + 10: 8192 registers in reads of 125
		"never pulled": {block, modbus.Race{Poll: 250 * ms}, 458 * ms},
		// 250 + 100 × 3 + 69 × (10 − 3) + 20: 8192 registers in windows of 120
		"slow pages": {of(drivesim.Spec{Face: drivesim.Window, Recorder: drivesim.Recorder{Settle: 10 * ms}}),
			modbus.Race{Poll: 250 * ms, Requests: 100, Connections: 1, Commit: 20 * ms}, 1053 * ms},
		// Pages that show before anyone can look cost nothing.
		"quick pages": {of(drivesim.Spec{Face: drivesim.Window, Recorder: drivesim.Recorder{Settle: ms}}),
			modbus.Race{Poll: 250 * ms, Requests: 100, Connections: 1, Commit: 20 * ms}, 570 * ms},
	} {
		if got := need(c.drive, c.race, 500*time.Microsecond); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}
