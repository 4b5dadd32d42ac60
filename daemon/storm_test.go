package daemon_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/demo"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

var (
	stormRounds = flag.Int("storm.rounds", 2, "storms over TCP, with the daemon as a process of its own that is killed")
	stormSeed   = flag.Uint64("storm.seed", 1, "seed of the first storm")
)

// TestStorm lets three simulated drives, one of each face, trip and be reset
// at random, cuts their power, drops and blocks their connections, and kills
// the daemon with SIGKILL and starts it again. Afterwards the store must be
// whole, no capture may hold bytes of two recordings, every trip must be a
// capture, a miss or in a blind spell, and every recording that stood long
// enough while somebody could read it must be kept. (How little time is enough
// is held to the limit in virtual time, in sources/modbus, and by the demo;
// here it is taken generously, since this computer does other things too.)
func TestStorm(t *testing.T) {
	var sum demo.Verdict
	if testing.Short() {
		*stormRounds = min(*stormRounds, 1)
	}
	for i := range *stormRounds {
		seed := *stormSeed + uint64(i)
		t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) {
			v := storm(t, seed)
			add(&sum, v)
			for _, fault := range append(v.Lost, v.Faults...) {
				t.Error(fault)
			}
		})
	}
	t.Logf("rounds: %d, recordings %d, winnable %d, kept %d, partial %d, misses %d, mixed %d, untold %d",
		*stormRounds, sum.Recordings, sum.Winnable, sum.Kept, sum.Partial, sum.Misses, sum.Mixed, sum.Untold)
}

func storm(t *testing.T, seed uint64) (sum demo.Verdict) {
	dice := rand.New(rand.NewPCG(seed, 3))
	between := func(a, b time.Duration) time.Duration { return a + time.Duration(dice.Int64N(int64(b-a))) }
	p := newStormPlant(t, seed)
	kill := p.process(t)
	p.awaitDaemon(t)
	var stalls []demo.Period
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); {
		time.Sleep(between(300*time.Millisecond, 2*time.Second))
		begin := time.Now()
		server := p.servers[dice.IntN(len(p.servers))]
		switch dice.IntN(4) {
		case 0:
			kill()
			time.Sleep(between(0, time.Second))
			kill = p.process(t)
			p.awaitDaemon(t)
		case 1:
			server.Drop()
		case 2:
			calm := p.calm
			calm.BlackHole = true
			server.Set(calm)
			time.Sleep(between(100*time.Millisecond, 3*time.Second))
			server.Set(p.calm)
			server.Drop()
		default:
			continue
		}
		// Until a second after it nobody can be sure to read: the timeout of a
		// request that was under way, and the next poll.
		stalls = append(stalls, demo.Period{From: begin.Add(-time.Second), To: time.Now().Add(1500 * time.Millisecond)})
	}
	for _, sim := range p.sims {
		sim.Rest(time.Now())
	}
	time.Sleep(3 * time.Second)
	return p.judge(t, stalls)
}

func add(sum *demo.Verdict, v demo.Verdict) {
	sum.Recordings += v.Recordings
	sum.Winnable += v.Winnable
	sum.Kept += v.Kept
	sum.Partial += v.Partial
	sum.Misses += v.Misses
	sum.Mixed += v.Mixed
	sum.Untold += v.Untold
	sum.Lost = append(sum.Lost, v.Lost...)
	sum.Faults = append(sum.Faults, v.Faults...)
}

// stormPlant is three drives and the config to watch them with.
type stormPlant struct {
	plant
	sims    []*drivesim.Drive
	servers []*drivesim.Server
	calm    drivesim.Behaviour
}

func newStormPlant(t *testing.T, seed uint64) *stormPlant {
	t.Helper()
	folder := t.TempDir()
	p := &stormPlant{calm: drivesim.Behaviour{Latency: time.Millisecond}}
	p.data, p.config = filepath.Join(folder, "data"), filepath.Join(folder, "faultkeep.yaml")
	var text strings.Builder
	fmt.Fprintf(&text, "site: Northquay\ndata: %s\nweb: {listen: \"127.0.0.1:0\"}\npoll: 100ms\ndrives:\n", p.data)
	for i, face := range []drivesim.Face{drivesim.Block, drivesim.Window, drivesim.Files} {
		sim := drivesim.New(drivesim.Spec{Name: string(face), Face: face, Pattern: true, Seed: seed*10 + uint64(i),
			Recorder: drivesim.Recorder{Samples: 1024, Interval: 100 * time.Microsecond},
			Plan: drivesim.Plan{Mean: 1500 * time.Millisecond, Least: 300 * time.Millisecond, ResetMin: 300 * time.Millisecond,
				ResetMax: 2500 * time.Millisecond, CutChance: 0.15, CutFor: 1200 * time.Millisecond}}, time.Now())
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		server := drivesim.Serve(t.Context(), l, map[uint8]*drivesim.Drive{1: sim}, p.calm)
		t.Cleanup(func() { server.Close() })
		p.sims, p.servers = append(p.sims, sim), append(p.servers, server)
		if err := os.WriteFile(filepath.Join(folder, string(face)+".yaml"), []byte(sim.Map()), 0o600); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&text, "  - {name: %s, address: %q, map: %s.yaml, allow: [%s]}\n", face, l.Addr(), face,
			map[bool]string{true: "page, arm", false: "arm"}[face == drivesim.Window])
	}
	if err := os.WriteFile(p.config, []byte(text.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return p
}

func (p *stormPlant) awaitDaemon(t *testing.T) {
	t.Helper()
	eventually(t, "the daemon answers", func() bool {
		e, err := archive.ReadEndpointFile(p.data)
		if err != nil {
			return false
		}
		a, err := archive.Open(t.Context(), p.data)
		if err != nil {
			return false
		}
		defer a.Close()
		return e.PID != 0
	})
}

func (p *stormPlant) judge(t *testing.T, stalls []demo.Period) (sum demo.Verdict) {
	t.Helper()
	a, err := archive.Open(t.Context(), p.data)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	for _, sim := range p.sims {
		e := demo.Evidence{Drive: sim.Spec().Name, Truths: sim.Truth(time.Now()), Need: 1200 * time.Millisecond, Stalls: stalls, End: time.Now()}
		q := archive.Query{Drive: e.Drive}
		captures, err := a.Captures(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range captures {
			if c.Origin != capture.Recorded {
				continue
			}
			data, _, err := a.Original(t.Context(), c.ID, capture.Data)
			if err != nil {
				t.Fatal(err)
			}
			e.Captures = append(e.Captures, demo.Kept{Capture: c, Data: data})
		}
		if e.Misses, err = a.Misses(t.Context(), q); err != nil {
			t.Fatal(err)
		}
		if e.Spells, err = a.Spells(t.Context(), q); err != nil {
			t.Fatal(err)
		}
		v := demo.Judge(e)
		v.Faults = tolerated(v.Faults)
		add(&sum, v)
		for _, w := range sim.Writes() {
			if w.Kind == drivesim.WriteReset || w.Kind == drivesim.WriteRefused {
				t.Errorf("wrote to %s %d: %s", w.Table, w.Address, w.Kind)
			}
		}

	}
	p.verify(t)
	return sum
}

// tolerated leaves out misses that tell of a trip twice, once by itself and
// once by the drive's count: after a kill nobody knows that they are the same.
func tolerated(faults []string) (out []string) {
	for _, f := range faults {
		if !strings.HasPrefix(f, "The miss of ") {
			out = append(out, f)
		}
	}
	return out
}
