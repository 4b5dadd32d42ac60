package main

import (
	"context"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/configs/strict"
	recorder "faultkeep/daemon/analysis/plan"
	"faultkeep/sources/drivesim"
	"faultkeep/sources/modbus"
	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/sources/sourcetest"
	"faultkeep/store/capture"
)

// latency is that of the simulated drives; in virtual time nothing else takes any.
const latency = 5 * time.Millisecond

// pulledDrive is a simulated drive that recorded and was pulled once.
type pulledDrive struct {
	mapped *regmap.Map
	probed modbus.Probed // after the pull
	kept   sourcetest.Kept
	asked  int           // requests that the drive got while it was pulled, as its own server saw them
	took   time.Duration // that long
}

// pullOf lets a simulated drive trip and be pulled, in virtual time.
func pullOf(t *testing.T, spec drivesim.Spec) (p pulledDrive) {
	synctest.Test(t, func(t *testing.T) {
		spec.Name, spec.Pattern = "elevator", true
		var mu sync.Mutex
		var asked []time.Time
		note := func(r drivesim.Request) drivesim.Action {
			mu.Lock()
			defer mu.Unlock()
			asked = append(asked, r.Time)
			return drivesim.Action{}
		}
		sim, memory := drivesim.New(spec, time.Now()), drivesim.NewMemory()
		server := drivesim.Serve(t.Context(), memory, map[uint8]*drivesim.Drive{1: sim}, drivesim.Behaviour{Latency: latency, Misbehave: note})
		defer memory.Close()
		defer server.Close()
		var problems strict.Problems
		if p.mapped, problems = regmap.Parse("map.yaml", []byte(sim.Map())); len(problems) > 0 {
			t.Fatal(problems)
		}
		config := modbus.Config{Name: spec.Name, Address: "memory", Poll: strict.Duration(100 * time.Millisecond), Connections: 1, Allow: []string{"page"}}
		endpoint := link.NewEndpoint("memory", link.DialOver(memory.Dial, config.AnswerWithin()), 1, 0)
		defer endpoint.Close()
		drive := modbus.New(modbus.Options{Config: config, Site: "Northquay", Map: p.mapped, Endpoint: endpoint})
		keeper := &sourcetest.Keeper{}
		ctx, stop := context.WithTimeout(t.Context(), time.Minute)
		done := make(chan struct{})
		go func() {
			defer close(done)
			_ = drive.Watch(ctx, keeper)
		}()
		sim.Arm(time.Now())
		time.Sleep(10 * time.Second)
		sim.Trip(time.Now(), drivesim.Jam)
		for len(keeper.Kept()) == 0 && ctx.Err() == nil {
			time.Sleep(time.Millisecond)
		}
		stop()
		<-done
		if len(keeper.Kept()) != 1 || !keeper.Kept()[0].Integrity.Whole {
			t.Fatalf("not kept whole: %+v", keeper.Kept())
		}
		p.kept = keeper.Kept()[0]
		from, to := p.kept.Provenance.Opened, p.kept.Provenance.Pulled
		p.took = to.Sub(from)
		mu.Lock()
		for _, at := range asked {
			if !at.Before(from) && at.Before(to) {
				p.asked++
			}
		}
		mu.Unlock()
		var err error
		if p.probed, err = drive.Probe(t.Context()); err != nil {
			t.Fatal(err)
		}
	})
	return p
}

// The plan counts the requests that the watch forecasts, one for one. A drive
// is then asked so many, with only this between: the header and the status are
// read before the pull counts as begun, and the checks on the way go by the
// clock as well, every 250 ms at the most. In virtual time each takes the
// drive's latency and nothing else does.
func TestPlanCountsWhatADriveIsAsked(t *testing.T) {
	for _, c := range []struct {
		name string
		spec drivesim.Spec
	}{
		{"block", drivesim.Spec{Recorder: drivesim.Recorder{Samples: 4096}}},
		{"block, small requests", drivesim.Spec{MaxRead: 61, Recorder: drivesim.Recorder{Samples: 500}}},
		{"block, three channels apart", drivesim.Spec{Recorder: drivesim.Recorder{Samples: 1000, Stride: 1024,
			Channels: []capture.Role{capture.RoleSpeed, capture.RoleCurrent, capture.RoleTorque}}}},
		{"window", drivesim.Spec{Face: drivesim.Window, Recorder: drivesim.Recorder{Samples: 1024}}},
		{"window, in small requests", drivesim.Spec{Face: drivesim.Window, MaxRead: 50, Recorder: drivesim.Recorder{Samples: 1024}}},
		{"files", drivesim.Spec{Face: drivesim.Files, Recorder: drivesim.Recorder{Samples: 2048}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := pullOf(t, c.spec)
			planned := pullRequests(p.mapped, len(p.kept.Channels), p.kept.Timing.Samples)
			if planned != p.probed.Requests {
				t.Errorf("planned %d requests, the watch forecasts %d", planned, p.probed.Requests)
			}
			before := len(regmap.Plan(p.mapped.HeaderValues(), p.mapped.Limits)) + len(regmap.Plan(p.mapped.StatusValues(), p.mapped.Limits))
			checks := 2 + int(p.took/(250*time.Millisecond))
			if diff := p.asked - (planned - before); diff < -checks || diff > checks {
				t.Errorf("planned %d requests after the header, the drive was asked %d", planned-before, p.asked)
			}
			if want := time.Duration(p.asked) * latency; p.took != want {
				t.Errorf("%d requests of %v took %v, want %v", p.asked, latency, p.took, want)
			}
			t.Logf("planned %d, %d of them before the pull; the drive was asked %d in %v", planned, before, p.asked, p.took)
		})
	}
}

// What a plan needs is what the watch says that it needs.
func TestPlanNeedsWhatTheWatchNeeds(t *testing.T) {
	for _, connections := range []int{1, 3} {
		answer, err := recorder.Make(recorder.Ask{Memory: recorder.Memory{PerChannel: 4096}, Channels: 8, Before: 3 * time.Second, After: time.Second,
			Base: time.Millisecond, Race: recorder.Race{Requests: func(int, int) int { return 268 }, RoundTrip: latency, Poll: modbus.DefaultPoll,
				Commit: 10 * time.Millisecond, Connections: connections}})
		if err != nil {
			t.Fatal(err)
		}
		race := modbus.Race{Poll: modbus.DefaultPoll, Requests: 268, RoundTrip: latency, Connections: connections}
		if p := answer.Plan; p.Need != race.Need() || p.Pull != race.Pull() {
			t.Errorf("%d connections: the plan needs %v, the watch %v", connections, p.Need, race.Need())
		}
	}
}
