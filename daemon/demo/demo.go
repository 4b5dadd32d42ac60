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
	"time"

	"faultkeep/daemon"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
	"faultkeep/store/capture"
)

// Options of a run.
type Options struct {
	For     time.Duration // 0: until ctx ends
	Seed    uint64        // the same seed gives the same faults
	Listen  string        // of the page; empty: any port on loopback
	Data    string        // folder for the store, which stays; empty: a temporary one
	Events  io.Writer     // a line for each thing that happens
	Log     *slog.Logger  // the daemon's own; nil: nowhere
	Version string
}

// grace bounds how long a run goes on after its end for what is under way:
// longer than the plant's slowest reset and power cut together.
const grace = 15 * time.Second

// run is one run of the demo.
type run struct {
	Options
	plant    *plant
	receiver *receiver
	teller   *teller
	app      *daemon.App
	data     string
}

// Run brings up the plant and a daemon that watches it, lets things happen
// until ctx ends or the time is over, and judges.
func Run(ctx context.Context, o Options) (sum Summary, err error) {
	if o.Listen == "" {
		o.Listen = "127.0.0.1:0"
	}
	folder, err := os.MkdirTemp("", "faultkeep-demo-")
	if err != nil {
		return sum, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	r := &run{Options: o, data: o.Data}
	if r.data == "" {
		r.data = filepath.Join(folder, "data")
	} else if _, err := os.Stat(filepath.Join(r.data, archive.StoreFile)); err == nil {
		return sum, fmt.Errorf("%s holds a store already; the demo wants a folder of its own", r.data)
	}
	began := time.Now()
	defer r.close()
	if err := r.open(folder); err != nil {
		return sum, err
	}
	fmt.Fprintf(o.Events, "The page is at %s – seed %d, Ctrl-C ends.\n", r.app.Address, o.Seed)
	sum.Seed, sum.Lost = o.Seed, []string{}
	broken := r.wait(ctx)
	sum.Duration = time.Since(began).Round(time.Millisecond).Seconds()
	if broken != nil {
		return sum, broken
	}
	r.plant.rest()
	r.settle()
	return sum, r.judge(&sum)
}

// open starts plant, receiver and daemon.
func (r *run) open(folder string) (err error) {
	// The plant outlives ctx: after its end what is under way is finished.
	background := context.Background()
	if r.plant, err = openPlant(background, r.Seed); err != nil {
		return err
	}
	if r.receiver, err = openReceiver(); err != nil {
		return err
	}
	page, err := net.Listen("tcp", r.Listen)
	if err != nil {
		return fmt.Errorf("the page can't be served at %s: %w", r.Listen, err)
	}
	path, err := r.plant.writeConfig(folder, r.data, page.Addr().String(), r.receiver.address)
	if err == nil {
		loaded, problems := config.Load(path)
		if len(problems) > 0 {
			err = problems
		} else {
			err = r.start(background, loaded, page)
		}
	}
	if err != nil {
		_ = page.Close()
	}
	return err
}

func (r *run) start(ctx context.Context, loaded *config.Loaded, page net.Listener) (err error) {
	var titles []string
	for _, d := range r.plant.drives {
		titles = append(titles, d.spec.Title)
	}
	r.teller = newTeller(r.Events, titles)
	r.app, err = daemon.Start(ctx, loaded, daemon.Options{Log: r.Log, Version: r.Version, Listener: page,
		Witness: r.teller.saw, Attempts: r.teller.attempted})
	return err
}

func (r *run) close() {
	if r.app != nil {
		_ = r.app.Stop()
	}
	if r.receiver != nil {
		r.receiver.close()
	}
	if r.plant != nil {
		r.plant.close()
	}
}

// wait lets things happen.
func (r *run) wait(ctx context.Context) error {
	var over <-chan time.Time
	if r.For > 0 {
		t := time.NewTimer(r.For)
		defer t.Stop()
		over = t.C
	}
	select {
	case <-ctx.Done():
	case <-over:
	case err := <-r.app.Failed():
		return err
	}
	return nil
}

// settle waits until every incident ended in a capture or a miss and every
// alert was accepted, at most for the time of grace.
func (r *run) settle() {
	for end := time.Now().Add(grace); time.Now().Before(end) && !r.settled(); {
		time.Sleep(20 * time.Millisecond)
	}
}

func (r *run) settled() bool {
	now := time.Now()
	for _, d := range r.plant.drives {
		if d.sim.State(now) == capture.Recording || r.teller.ended(d.spec.Name) < len(d.sim.Incidents(now)) {
			return false
		}
	}
	n, err := r.app.Store.AlertCounts(context.Background())
	return err == nil && n.Waiting == 0
}

// judge takes the evidence and fills in the summary. The captures are read
// from the closed store, as any later command would read them.
func (r *run) judge(sum *Summary) error {
	ctx := context.Background()
	e := Evidence{End: time.Now()}
	for i, d := range r.plant.drives {
		e.Drives = append(e.Drives, Witness{Name: d.spec.Name, Title: d.spec.Title,
			Incidents: d.sim.Incidents(e.End), Need: d.need(r.app.Drives[i])})
	}
	if err := r.alerts(ctx, sum); err != nil {
		return err
	}
	if err := r.app.Stop(); err != nil {
		return err
	}
	a, err := archive.Open(ctx, r.data)
	if err != nil {
		return err
	}
	defer a.Close()
	if err := r.read(ctx, a, &e, sum); err != nil {
		return err
	}
	sum.judge(Judge(e))
	sum.settle()
	return nil
}

// alerts counts alerts by what the sinks did, and holds that against what the
// store and the receiver say.
func (r *run) alerts(ctx context.Context, sum *Summary) error {
	sinks := []string{"log", controlRoom}
	for _, sink := range sinks {
		left, err := r.app.Store.Outbox(ctx, sink, 0)
		if err != nil {
			return err
		}
		for _, m := range left {
			r.teller.waiting(m.Alert.ID)
		}
	}
	n, err := r.app.Store.AlertCounts(ctx)
	if err != nil {
		return err
	}
	a := &sum.Alerts
	a.Raised, a.Accepted = r.teller.alerts(len(sinks))
	received, retried := r.receiver.counts()
	a.Retried = retried
	if n.Raised != len(sinks)*a.Raised || received < a.Accepted {
		sum.Lost = append(sum.Lost, fmt.Sprintf("alerts: the store says %d raised for %d sinks, %d were seen to be sent, the control room took %d.",
			n.Raised, len(sinks), a.Raised, received))
	}
	return nil
}

func (r *run) read(ctx context.Context, a archive.Archive, e *Evidence, sum *Summary) error {
	list, err := a.Captures(ctx, archive.Query{})
	if err != nil {
		return err
	}
	for _, c := range list {
		data, have, err := a.Original(ctx, c.ID, capture.Data)
		if err != nil {
			return err
		}
		e.Captures = append(e.Captures, Kept{Capture: c, Data: data, Have: have})
	}
	if e.Misses, err = a.Misses(ctx, archive.Query{}); err != nil {
		return err
	}
	spells, err := a.Spells(ctx, archive.Query{})
	if err != nil {
		return err
	}
	report, err := a.Verify(ctx, nil)
	if err != nil {
		return err
	}
	for _, p := range report.Problems {
		sum.Lost = append(sum.Lost, "damaged: "+p.Text)
	}
	sum.Misses, sum.BlindSpells, sum.Damaged = len(e.Misses), len(spells), len(report.Problems)
	return nil
}
