package daemon_test

import (
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/daemon"
	"faultkeep/daemon/alert"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/demo"
	"faultkeep/sources"
	"faultkeep/sources/drivesim"
	"faultkeep/sources/modbus"
	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// virtual is a plant in virtual time: simulated drives in memory, the real
// watch, the real store on the real disk, and a sink that often fails.
type virtual struct {
	t       *testing.T
	path    string
	sims    []*drivesim.Drive
	servers []*drivesim.Server // one each, or one for all: a gateway
	lines   []*drivesim.Memory
	options []modbus.Options
	calm    drivesim.Behaviour
	clock   *wallClock
	sink    *deafSink

	store  *store.Store
	drives []*modbus.Drive
	cancel context.CancelFunc
	ended  sync.WaitGroup
}

// newVirtual puts drives on a gateway that they share, or each on a line of its own.
func newVirtual(t *testing.T, specs []drivesim.Spec, gateway bool, poll time.Duration, calm drivesim.Behaviour, sink *deafSink) *virtual {
	t.Helper()
	v := &virtual{t: t, path: filepath.Join(t.TempDir(), archive.StoreFile), calm: calm, clock: &wallClock{}, sink: sink}
	units := map[uint8]*drivesim.Drive{}
	for i, spec := range specs {
		sim := drivesim.New(spec, time.Now())
		v.sims = append(v.sims, sim)
		m, problems := regmap.Parse("map.yaml", []byte(sim.Map()))
		if len(problems) > 0 {
			t.Fatal(problems)
		}
		unit := uint8(i + 1)
		v.options = append(v.options, modbus.Options{Site: "Northquay", Map: m, Config: modbus.Config{Name: spec.Name, Address: "memory",
			Unit: &unit, Poll: strict.Duration(poll), Timeout: strict.Duration(time.Second), Allow: []string{"page", "arm"}}})
		units[unit] = sim
		if !gateway {
			v.serve(map[uint8]*drivesim.Drive{unit: sim})
		}
	}
	if gateway {
		v.serve(units)
	}
	return v
}

func (v *virtual) serve(units map[uint8]*drivesim.Drive) {
	line := drivesim.NewMemory()
	v.lines = append(v.lines, line)
	v.servers = append(v.servers, drivesim.Serve(v.t.Context(), line, units, v.calm))
}

// start opens the store and watches until stop.
func (v *virtual) start() {
	v.t.Helper()
	ctx, cancel := context.WithCancel(v.t.Context())
	v.cancel = cancel
	var err error
	v.store, err = store.Open(ctx, store.Options{Path: v.path, Site: "Northquay", Now: v.clock.now,
		Announce: func(capture.Alert) []capture.Delivery { return capture.To("sink") }})
	if err != nil {
		v.t.Fatal(err)
	}
	keeper := &shifted{daemon.Keeping(v.store), v.clock}
	var endpoints []*link.Endpoint
	for _, line := range v.lines {
		endpoints = append(endpoints, link.NewEndpoint("memory", link.DialOver(line.Dial, time.Second), 1, 0))
	}
	v.drives = nil
	var names []string
	for i, o := range v.options {
		o.Endpoint = endpoints[i%len(endpoints)]
		d := modbus.New(o)
		v.drives = append(v.drives, d)
		names = append(names, d.Name())
		v.ended.Go(func() { _ = d.Watch(ctx, keeper) })
	}
	v.ended.Go(func() {
		alert.NewDispatcher(v.store, alert.Options{Sinks: map[string]alert.Sink{"sink": v.sink}, Observe: v.attempt}).Run(ctx)
	})
	v.ended.Go(func() {
		for ctx.Err() == nil {
			_ = v.store.Beat(ctx, names, v.clock.now())
			select {
			case <-ctx.Done():
			case <-time.After(10 * time.Second):
			}
		}
	})
}

// attempt notes what became of an alert, for those who look closer.
func (v *virtual) attempt(a alert.Attempt) {
	if os.Getenv("FAULTKEEP_LOG") != "" {
		v.t.Logf("%s alert %d %s: %s %v, next %s", a.Time.Format("04:05.000"), a.Message.Seq, a.Message.Alert.ID, a.Outcome, a.Err, a.Next.Format("04:05.000"))
	}
}

func (v *virtual) stop() {
	v.t.Helper()
	v.cancel()
	v.ended.Wait()
	if err := v.store.Close(); err != nil {
		v.t.Error(err)
	}
}

// close ends what is not the daemon's, so that the bubble can end.
func (v *virtual) close() {
	for i := range v.servers {
		v.servers[i].Close()
		v.lines[i].Close()
	}
}

// evidence reads everything back from the closed store.
func (v *virtual) evidence(i int, a archive.Archive) demo.Evidence {
	v.t.Helper()
	e := demo.Evidence{Drive: v.sims[i].Spec().Name, Truths: v.sims[i].Truth(time.Now()), End: time.Now()}
	ctx, q := context.Background(), archive.Query{Drive: e.Drive}
	captures, err := a.Captures(ctx, q)
	if err != nil {
		v.t.Fatal(err)
	}
	for _, c := range captures {
		if c.Origin != capture.Recorded {
			continue
		}
		data, _, err := a.Original(ctx, c.ID, capture.Data)
		if err != nil {
			v.t.Fatal(err)
		}
		e.Captures = append(e.Captures, demo.Kept{Capture: c, Data: data})
	}
	var errs [2]error
	e.Misses, errs[0] = a.Misses(ctx, q)
	e.Spells, errs[1] = a.Spells(ctx, q)
	if err := errors.Join(errs[:]...); err != nil {
		v.t.Fatal(err)
	}
	return e
}

// addsUp holds that the ledger accounts for every moment of a period.
func (v *virtual) addsUp(a archive.Archive, from, to time.Time) {
	v.t.Helper()
	list, err := a.Coverage(context.Background(), archive.Query{Since: from, Until: to})
	if err != nil {
		v.t.Fatal(err)
	}
	if len(list) != len(v.sims) {
		v.t.Errorf("the ledger covers %d drives of %d", len(list), len(v.sims))
	}
	for _, c := range list {
		at := from
		for _, i := range c.Intervals {
			if !i.From.Equal(at) || i.To.Before(i.From) {
				v.t.Errorf("%s: after %s the ledger goes on at %s", c.Drive, at, i.From)
			}
			at = i.To
		}
		if !at.Equal(to) {
			v.t.Errorf("%s: the ledger ends at %s, the period at %s", c.Drive, at, to)
		}
	}
}

// whole verifies the store and hears whether every alert was accepted.
func (v *virtual) whole(a archive.Archive) {
	v.t.Helper()
	storetest.Check(v.t, v.path)
	ctx := context.Background()
	captures, err := a.Captures(ctx, archive.Query{})
	if err != nil {
		v.t.Fatal(err)
	}
	for _, c := range captures {
		if c.Origin == capture.Recorded && !v.sink.heard(string(c.ID)) {
			v.t.Errorf("nobody was told of capture %s", c.ID)
		}
	}
	misses, err := a.Misses(ctx, archive.Query{})
	if err != nil {
		v.t.Fatal(err)
	}
	if n := v.sink.count(capture.KindMiss); n != len(misses) {
		v.t.Errorf("told of %d misses of %d", n, len(misses))
	}
}

// wallClock is a wall clock that jumps; durations don't notice.
type wallClock struct {
	mu  sync.Mutex
	off time.Duration
}

func (c *wallClock) now() time.Time { return c.at(time.Now()) }

func (c *wallClock) at(t time.Time) time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if t.IsZero() {
		return t
	}
	return t.Add(c.off)
}

func (c *wallClock) jump(by time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.off += by
}

// shifted shows a keeper the times as a jumping wall clock would.
type shifted struct {
	sources.Keeper
	clock *wallClock
}

func (s *shifted) Observe(ctx context.Context, o sources.Observation) error {
	o.Time, o.Since = s.clock.at(o.Time), s.clock.at(o.Since)
	return s.Keeper.Observe(ctx, o)
}

func (s *shifted) Draft(ctx context.Context, opening capture.Capture) (sources.Draft, error) {
	d, err := s.Keeper.Draft(ctx, s.capture(opening))
	if err != nil {
		return nil, err
	}
	return &shiftedDraft{d, s}, nil
}

type shiftedDraft struct {
	sources.Draft
	keeper *shifted
}

func (d *shiftedDraft) Keep(ctx context.Context, c capture.Capture, rest ...capture.Chunk) (capture.Capture, error) {
	return d.Draft.Keep(ctx, d.keeper.capture(c), rest...)
}

func (s *shifted) capture(c capture.Capture) capture.Capture {
	for _, t := range []*time.Time{&c.Trigger.Time, &c.Trigger.Earliest, &c.Trigger.Latest} {
		*t = s.clock.at(*t)
	}
	return c
}

// deafSink refuses a share of what it is told, for now.
type deafSink struct {
	mu   sync.Mutex
	dice *rand.Rand
	deaf float64
	told map[string]capture.Alert // by its own ID, and by its capture's
}

func newDeafSink(dice *rand.Rand, deaf float64) *deafSink {
	return &deafSink{dice: dice, deaf: deaf, told: map[string]capture.Alert{}}
}

func (s *deafSink) Send(_ context.Context, a capture.Alert) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.dice.Float64() < s.deaf {
		return errors.New("the line is busy")
	}
	s.told[a.ID] = a
	if a.Capture != "" {
		s.told[string(a.Capture)] = a
	}
	return nil
}

// listen takes everything from now on.
func (s *deafSink) listen() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.deaf = 0
}

func (s *deafSink) heard(id string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, ok := s.told[id]
	return ok
}

// count is how many alerts of a kind were heard, each once.
func (s *deafSink) count(k capture.Kind) (n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for id, a := range s.told {
		if a.Kind == k && a.ID == id {
			n++
		}
	}
	return n
}

// room is how large the store's file is.
func (v *virtual) room() uint64 {
	v.t.Helper()
	info, err := os.Stat(v.path)
	if err != nil {
		v.t.Fatal(err)
	}
	return uint64(info.Size())
}

// dump logs the truth and the ledger.
func (v *virtual) dump(a archive.Archive) {
	for _, sim := range v.sims {
		for _, x := range sim.Truth(time.Now()) {
			v.t.Logf("%s %d %04X tripped %s ready %s erased %s %s %s", sim.Spec().Name, x.Number, x.FaultCode, x.Tripped.Format("04:05.000"),
				x.Ready.Format("04:05.000"), x.Erased.Format("04:05.000"), x.ErasedBy, x.Missing)
		}
	}
	entries, err := a.Ledger(context.Background(), archive.Query{})
	if err != nil {
		v.t.Error(err)
	}
	for _, e := range entries {
		v.t.Logf("%s %s %s %v %s", e.Time.Format("04:05.000"), e.Drive, e.Kind, e.Fault, e.Text)
	}
}
