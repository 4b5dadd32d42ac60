package modbus_test

import (
	"context"
	"io"
	"log"
	"net"
	"testing"
	"time"

	library "github.com/simonvetter/modbus"

	"faultkeep/configs/strict"
	"faultkeep/sources"
	"faultkeep/sources/drivesim"
	"faultkeep/sources/modbus"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/sources/sourcetest"
	"faultkeep/store/capture"
)

// BenchmarkPull takes a recording of 8 × 8000 samples, in turn with a bare
// loop over the library's ReadRawBytes that reads the same registers. It
// prints the floor's time divided by ours, twice: of the pull, which is all
// data requests and the checks among and after them; and of everything from
// the first look at the header until the capture is kept (in memory). The
// round-trip bound is the time that all requests of a pull would take at the
// floor's pace; on one connection bound/kept says how much of it is reached.
// Aims: floor/pull 0.95 with no delay, bound/kept 0.99 with 2 ms, floor/pull 3.6
// with four connections.
func BenchmarkPull(b *testing.B) {
	for _, c := range []struct {
		name        string
		delay       time.Duration
		connections int
	}{{"delay=0", 0, 1}, {"delay=2ms", 2 * time.Millisecond, 1}, {"delay=2ms/connections=4", 2 * time.Millisecond, 4}} {
		b.Run(c.name, func(b *testing.B) {
			sim := drivesim.New(drivesim.Spec{Name: "bench", Pattern: true,
				Recorder: drivesim.Recorder{Samples: 8000, Interval: 10 * time.Microsecond}}, time.Now())
			listener, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				b.Fatal(err)
			}
			server := drivesim.Serve(b.Context(), listener, map[uint8]*drivesim.Drive{1: sim}, drivesim.Behaviour{Latency: c.delay})
			defer server.Close()
			m := benchMap(b, sim.Map())
			sim.Trip(time.Now(), drivesim.Jam)
			for sim.State(time.Now()) != capture.Ready {
				time.Sleep(10 * time.Millisecond)
			}
			address := listener.Addr().String()
			var floor, pull, all time.Duration
			requests := 0
			for b.Loop() {
				floor += bareLoop(b, address, int(m.Data.Address), 8*8000)
				p, a, n := pullOnce(b, address, m, c.connections)
				pull, all, requests = pull+p, all+a, requests+n
			}
			b.ReportMetric(floor.Seconds()/pull.Seconds(), "floor/pull")
			b.ReportMetric(floor.Seconds()/all.Seconds(), "floor/kept")
			if c.connections == 1 {
				bound := floor.Seconds() / (8 * 8000 / 125) * float64(requests) / float64(b.N)
				b.ReportMetric(bound/all.Seconds(), "bound/kept")
			}
			b.ReportMetric(pull.Seconds()/float64(b.N)*1000, "ms/pull")
		})
	}
}

func benchMap(b *testing.B, text string) *regmap.Map {
	b.Helper()
	m, problems := regmap.Parse("map.yaml", []byte(text))
	if len(problems) > 0 {
		b.Fatal(problems)
	}
	return m
}

// bareLoop reads n registers as fast as the library does.
func bareLoop(b *testing.B, address string, from, n int) time.Duration {
	b.Helper()
	c, err := library.NewClient(&library.ClientConfiguration{URL: "tcp://" + address, Timeout: time.Second, Logger: log.New(io.Discard, "", 0)})
	if err != nil {
		b.Fatal(err)
	}
	if err := c.Open(); err != nil {
		b.Fatal(err)
	}
	defer c.Close()
	start := time.Now()
	for at := 0; at < n; at += 125 {
		if _, err := c.ReadRawBytes(uint16(from+at), uint16(2*min(125, n-at)), library.HOLDING_REGISTER); err != nil {
			b.Fatal(err)
		}
	}
	return time.Since(start)
}

// pullOnce is the time of the pull, the time until the capture is kept, and
// the requests that it took.
func pullOnce(b *testing.B, address string, m *regmap.Map, connections int) (pull, all time.Duration, requests int) {
	b.Helper()
	plant := modbus.Connect([]modbus.Options{{Map: m, Config: modbus.Config{Name: "bench", Address: address,
		Connections: connections, Poll: strict.Duration(20 * time.Millisecond)}}})
	defer plant.Close()
	ctx, cancel := context.WithTimeout(b.Context(), time.Minute)
	defer cancel()
	keeper := &waking{kept: make(chan struct{})}
	done := make(chan error, 1)
	go func() { done <- plant.Drives[0].Watch(ctx, keeper) }()
	select {
	case <-keeper.kept:
	case <-ctx.Done():
	}
	cancel()
	<-done
	kept := keeper.Kept()
	if len(kept) != 1 || !kept[0].Integrity.Whole {
		b.Fatalf("%d captures", len(kept))
	}
	of := kept[0].Provenance
	return of.Pulled.Sub(keeper.Seen(sources.SeenPulling)[0].Time), keeper.Seen(sources.SeenKept)[0].Time.Sub(of.Opened), of.Requests
}

// waking is a Keeper that says when something was kept, so that waiting for it
// takes no time from what is measured.
type waking struct {
	sourcetest.Keeper
	kept chan struct{}
}

func (k *waking) Observe(ctx context.Context, o sources.Observation) error {
	defer func() {
		if o.Kind == sources.SeenKept {
			close(k.kept)
		}
	}()
	return k.Keeper.Observe(ctx, o)
}
