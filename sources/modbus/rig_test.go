package modbus_test

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"testing"
	"time"

	"faultkeep/configs"
	"faultkeep/configs/strict"
	"faultkeep/sources"
	"faultkeep/sources/drivesim"
	"faultkeep/sources/faultcode"
	"faultkeep/sources/modbus"
	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/sources/sourcetest"
	"faultkeep/store/capture"
)

// rig is one simulated drive behind a server in memory, and the watch of it.
// It is made to run inside a testing/synctest bubble.
type rig struct {
	t      *testing.T
	sim    *drivesim.Drive
	server *drivesim.Server
	memory *drivesim.Memory
	keeper *sourcetest.Keeper
	config modbus.Config
	mapped *regmap.Map
	cancel context.CancelFunc
	done   chan struct{}
	drive  *modbus.Drive
}

func newRig(t *testing.T, spec drivesim.Spec, b drivesim.Behaviour, change ...func(*rig)) *rig {
	t.Helper()
	if spec.Name == "" {
		spec.Name = "elevator"
	}
	r := &rig{t: t, sim: drivesim.New(spec, time.Now()), memory: drivesim.NewMemory(), keeper: &sourcetest.Keeper{},
		config: modbus.Config{Name: spec.Name, Address: "memory", Poll: strict.Duration(100 * time.Millisecond),
			Timeout: strict.Duration(time.Second), Allow: []string{"page", "arm"}}}
	r.server = drivesim.Serve(t.Context(), r.memory, map[uint8]*drivesim.Drive{1: r.sim}, b)
	r.mapped = parseMap(t, r.sim.Map())
	for _, c := range change {
		c(r)
	}
	return r
}

func parseMap(t *testing.T, text string) *regmap.Map {
	t.Helper()
	m, problems := regmap.Parse("map.yaml", []byte(text))
	if len(problems) > 0 {
		t.Fatalf("the simulated drive's map: %v\n%s", problems, text)
	}
	return m
}

func faultTables(t *testing.T) faultcode.Tables {
	t.Helper()
	src, err := configs.Faults("iec61800-7-201")
	if err != nil {
		t.Fatal(err)
	}
	table, problems := faultcode.Parse("iec61800-7-201.yaml", src)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	return faultcode.Tables{table}
}

// start watches until stop.
func (r *rig) start() {
	r.t.Helper()
	connections := max(1, r.config.Connections)
	endpoint := link.NewEndpoint("memory", link.DialOver(r.memory.Dial, r.config.AnswerWithin()), connections, 0)
	o := modbus.Options{Config: r.config, Site: "Northquay", Map: r.mapped, Faults: faultTables(r.t), Endpoint: endpoint}
	if os.Getenv("FAULTKEEP_LOG") != "" {
		o.Log = slog.New(slog.NewTextHandler(os.Stderr, nil))
	}
	r.drive = modbus.New(o)
	ctx, cancel := context.WithCancel(r.t.Context())
	r.done = make(chan struct{})
	r.cancel = func() {
		cancel()
		<-r.done
	}
	go func() {
		defer close(r.done)
		_ = r.drive.Watch(ctx, r.keeper)
		_ = endpoint.Close()
	}()
}

// stop ends the watch as a clean stop of the daemon would.
func (r *rig) stop() {
	if r.cancel != nil {
		r.cancel()
		r.cancel = nil
	}
}

// close ends everything, so that the bubble can end.
func (r *rig) close() {
	r.stop()
	r.server.Close()
	r.memory.Close()
	for _, f := range r.keeper.Faults() {
		r.t.Errorf("breach of the keeper's contract: %s", f)
	}
	for _, w := range r.sim.Writes() {
		if w.Kind == drivesim.WriteReset || w.Kind == drivesim.WriteRefused {
			r.t.Errorf("wrote to %s %d: %s", w.Table, w.Address, w.Kind)
		}
	}
}

// eventually waits in virtual time.
func (r *rig) eventually(what string, within time.Duration, ok func() bool) {
	r.t.Helper()
	for deadline := time.Now().Add(within); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			r.dump()
			r.t.Fatalf("%s: not within %v", what, within)
		}
	}
}

func (r *rig) dump() {
	for _, o := range r.keeper.Seen() {
		r.t.Logf("%s %-9s %-9s %v %s %s", o.Time.Format("04:05.000"), o.Kind, o.State, o.Fault, o.Cause, o.Text)
	}
}

func (r *rig) armed() {
	r.t.Helper()
	r.eventually("armed", 10*time.Second, func() bool { return r.sim.State(time.Now()) == capture.Armed && r.drive.Now().State == capture.Armed })
}

func (r *rig) kept(n int) []sourcetest.Kept {
	r.t.Helper()
	r.eventually("kept", time.Minute, func() bool { return len(r.keeper.Kept()) >= n })
	return r.keeper.Kept()
}

func (r *rig) misses() []sources.Observation { return r.keeper.Seen(sources.SeenMiss) }

// truth is the incident that a capture is of, by the bytes that it has. A
// capture that fits none is mixed.
func (r *rig) truth(c sourcetest.Kept) drivesim.Truth {
	r.t.Helper()
	for _, truth := range r.sim.Truth(time.Now()) {
		if len(truth.Data) == len(c.Data) && fits(c, truth.Data) {
			return truth
		}
	}
	r.dump()
	r.t.Fatalf("capture %s (%v) has bytes of no one recording", c.ID, c.Integrity)
	return drivesim.Truth{}
}

func fits(c sourcetest.Kept, data []byte) bool {
	for _, have := range c.Integrity.Have {
		if !bytes.Equal(c.Data[have.Start:have.End], data[have.Start:have.End]) {
			return false
		}
	}
	return true
}
