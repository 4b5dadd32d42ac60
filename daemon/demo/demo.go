// Package demo lets faultkeep watch a simulated plant, and judges afterwards
// whether it kept its promises: the drives know what really happened.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"faultkeep/daemon"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
	"faultkeep/sources"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// Options of a run.
type Options struct {
	Plant   []drivesim.Spec // nil: Northquay(Seed)
	Seed    uint64          // the same seed gives the same trips
	For     time.Duration   // 0: until ctx ends
	Listen  string          // of the page; empty: any port on loopback
	Data    string          // folder for the store, which stays; empty: a temporary one
	Lines   io.Writer       // a line for each thing that happens; nil: none
	Log     *slog.Logger    // the daemon's own; nil: nowhere
	Version string
}

// grace bounds how long a run goes on for what is under way at its end: longer
// than the plant's slowest reset, a power cut and a second try of an alert.
const grace = 15 * time.Second

// run is one run of the demo.
type run struct {
	Options
	plant     *Plant
	receiver  *receiver
	teller    *teller
	lines     *lines
	overheads *overheads
	stalls    stalls
	app       atomic.Pointer[daemon.App]
	data      string
}

// Run brings up the plant and a daemon that watches it, lets things happen
// until ctx ends or the time is over, lets what is under way come to its end,
// and judges.
func Run(ctx context.Context, o Options) (sum Summary, err error) {
	if o.Listen == "" {
		o.Listen = "127.0.0.1:0"
	}
	if o.Lines == nil {
		o.Lines = io.Discard
	}
	if o.Plant == nil {
		o.Plant = Northquay(o.Seed)
	}
	folder, err := os.MkdirTemp("", "faultkeep-demo-")
	if err != nil {
		return sum, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	r := &run{Options: o, data: o.Data, overheads: newOverheads()}
	if r.data == "" {
		r.data = filepath.Join(folder, "data")
	} else if r.data, err = filepath.Abs(o.Data); err != nil {
		return sum, err
	} else if _, err := os.Stat(filepath.Join(r.data, archive.StoreFile)); err == nil {
		return sum, fmt.Errorf("%s holds a store already; the demo wants a folder of its own", o.Data)
	}
	defer r.close()
	if err := r.open(folder); err != nil {
		return sum, err
	}
	watching, watched := context.WithCancel(context.Background())
	defer watched()
	go r.stalls.watch(watching)
	began := time.Now()
	broken := r.wait(ctx)
	sum.Seed, sum.Duration = o.Seed, time.Since(began).Round(time.Millisecond).Seconds()
	if broken != nil {
		return sum, broken
	}
	r.plant.Rest(time.Now())
	r.receiver.behave()
	r.settle()
	return sum, r.judge(&sum)
}

// open starts plant, receiver and daemon. They outlive the caller's context,
// because what is under way at its end is finished.
func (r *run) open(folder string) (err error) {
	page, err := net.Listen("tcp", r.Listen)
	if err != nil {
		return fmt.Errorf("the page can't be served at %s: %w", r.Listen, err)
	}
	defer func() {
		if err != nil {
			_ = page.Close()
		}
	}()
	if r.receiver, err = openReceiver(r.Seed); err != nil {
		return err
	}
	r.plant, err = NewPlant(r.Plant, func(int) (net.Listener, error) { return net.Listen("tcp", "127.0.0.1:0") })
	if err != nil {
		return err
	}
	path := filepath.Join(folder, "faultkeep.yaml")
	if err := r.plant.WriteMaps(folder); err != nil {
		return err
	}
	if err := os.WriteFile(path, []byte(r.config(page.Addr().String())), 0o600); err != nil {
		return err
	}
	loaded, problems := config.Load(path)
	if len(problems) > 0 {
		return problems
	}
	r.lines = newLines(r.Lines)
	r.teller = newTeller(r.lines, r.plant.Drives)
	r.lines.add(fmt.Sprintf("The page is at http://%s (seed %d; Ctrl-C ends)\n", page.Addr(), r.Seed))
	app, err := daemon.Start(context.Background(), loaded, daemon.Options{Log: r.Log, Version: r.Version, Listener: page,
		Witness: r.saw, Attempts: r.teller.attempted})
	if err != nil {
		return err
	}
	r.app.Store(app)
	return nil
}

func (r *run) config(page string) string {
	return fmt.Sprintf(`site: Northquay grain terminal
data: %q
web: {listen: %q}
%salerts:
  sinks:
    - {name: log, log: {}}
    - {name: %s, webhook: {url: %q}}
`, r.data, page, r.plant.Entries(false), controlRoom, r.receiver.address)
}

// saw is told of everything that the daemon sees and does.
func (r *run) saw(o sources.Observation) {
	if o.Kind == sources.SeenKept {
		r.measure(o.Drive)
	}
	r.teller.saw(o)
}

// measure notes the round trip of a drive as it is at the end of a pull.
func (r *run) measure(drive string) {
	app := r.app.Load()
	if app == nil {
		return
	}
	for i, d := range app.Drives() {
		if rtt := d.Now().Race.RoundTrip; d.Name() == drive && rtt > 0 {
			r.overheads.add(drive, rtt, r.plant.Drives[i].Behaviour)
		}
	}
}

func (r *run) close() {
	if app := r.app.Load(); app != nil {
		_ = app.Stop()
	}
	if r.lines != nil {
		r.lines.close()
	}
	if r.receiver != nil {
		r.receiver.close()
	}
	if r.plant != nil {
		_ = r.plant.Close()
	}
}

// wait lets things happen.
func (r *run) wait(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	var watching sync.WaitGroup
	defer watching.Wait()
	defer stop()
	watching.Go(func() { r.plant.Watch(ctx, r.teller.happened) })
	var over <-chan time.Time
	if r.For > 0 {
		t := time.NewTimer(r.For)
		defer t.Stop()
		over = t.C
	}
	select {
	case <-ctx.Done():
	case <-over:
	case err := <-r.app.Load().Failed():
		return err
	}
	return nil
}

// settle waits, within grace, until nothing is under way any more.
func (r *run) settle() {
	kept := keptSoFar{}
	for end := time.Now().Add(grace); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if r.settled(kept) {
			return
		}
	}
}

// settled tells whether no drive is recording, every recording that still
// stands is kept, every trip is told, and every alert is accepted.
func (r *run) settled(kept keptSoFar) bool {
	ctx, now := context.Background(), time.Now()
	for _, d := range r.plant.Drives {
		if d.State(now) == capture.Recording {
			return false
		}
	}
	store := r.app.Load().Store
	list, err := r.gather(ctx, archive.Pages(store), kept)
	if err != nil {
		return false
	}
	for _, e := range list {
		if Judge(e).Untold > 0 || e.standing() {
			return false
		}
	}
	// Last, since what was kept just now has an alert just now.
	n, err := store.AlertCounts(ctx)
	raised, accepted := r.teller.alerts(len(sinks)) // who hears of an attempt a moment after the outbox
	return err == nil && n.Waiting == 0 && raised == accepted
}

// judge holds what was kept and told against the truth. It reads the closed
// store, as any later command does.
func (r *run) judge(sum *Summary) error {
	ctx, app := context.Background(), r.app.Load()
	for _, d := range app.Drives() {
		r.measure(d.Name())
	}
	if err := r.alerts(ctx, sum); err != nil {
		return err
	}
	sum.Requests = r.plant.Requests()
	var stalled time.Duration
	for _, p := range r.stalls.so() {
		stalled += p.To.Sub(p.From)
	}
	sum.Stalled = stalled.Round(time.Millisecond).Seconds()
	ended := time.Now()
	if err := app.Stop(); err != nil {
		return err
	}
	a, err := archive.Open(ctx, r.data)
	if err != nil {
		return err
	}
	defer a.Close()
	list, err := r.gather(ctx, a, keptSoFar{})
	if err != nil {
		return err
	}
	for i, e := range list {
		e.End = ended
		sum.add(r.plant.Drives[i], e, Judge(e))
	}
	report, err := a.Verify(ctx, nil)
	if err != nil {
		return err
	}
	for _, p := range report.Problems {
		sum.Faults = append(sum.Faults, "Damaged: "+p.Text)
	}
	sum.Damaged = len(report.Problems)
	sum.conclude()
	return nil
}
