package modbus

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/faultcode"
	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

// Options make a Drive.
type Options struct {
	Config   Config
	Site     string
	Map      *regmap.Map
	Faults   faultcode.Tables
	Endpoint *link.Endpoint // shared by all drives behind one address
	Log      *slog.Logger
}

// Drive watches one drive. It is a sources.Source.
type Drive struct {
	Options
	line  *line
	pulse sources.Pulse

	mu  sync.Mutex
	now Now
}

// Now is what a drive showed last, for live displays.
type Now struct {
	State    capture.RecorderState
	LastSeen time.Time     // last good answer
	Polled   time.Duration // that the last good poll took
	Tripped  bool
	Fault    capture.Fault
	Trouble  string // why it can't be read, one sentence; empty if it can
	Race     Race

	Pending time.Time // since when a trip or recording waits to be kept or missed; zero: none does
	Pulling bool      // it is being read
	Kept    bool      // the last one that did was kept, whole or in part
	Keeps   uint32    // captures kept since the watch began
}

// New makes a Drive; nothing is sent before Watch or Probe.
func New(o Options) *Drive {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	o.Log = o.Log.With("drive", o.Config.Name)
	d := &Drive{Options: o, line: &line{endpoint: o.Endpoint, unit: o.Config.UnitID()}, now: Now{State: capture.Unknown}}
	d.line.beat = d.beat
	return d
}

// Pulse shows that the watch goes on: it beats at every poll and every request.
func (d *Drive) Pulse() *sources.Pulse { return &d.pulse }

// longestStep is the longest that a watch may need without asking the drive
// anything: to make a capture durable on a slow disk and read it back.
const longestStep = time.Minute

// beat allows for a poll interval, a request that waits behind one of each
// neighbour's, each of which may have to connect first, and the longest step.
func (d *Drive) beat() {
	within := d.poll() + longestStep
	for range max(1, d.Endpoint.Units()) {
		within += d.Config.AnswerWithin() + longestDial
	}
	d.pulse.Beat(within)
}

// longestDial is how long making a connection may take.
const longestDial = 5 * time.Second

// Name is the drive's name in the config.
func (d *Drive) Name() string { return d.Config.Name }

// Title is the drive as people call it.
func (d *Drive) Title() string {
	if d.Config.Title != "" {
		return d.Config.Title
	}
	return d.Config.Name
}

// Now is what the drive showed last.
func (d *Drive) Now() Now {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.now
}

func (d *Drive) show(change func(*Now)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	change(&d.now)
}

// Watch polls the drive and keeps its recordings until ctx ends.
func (d *Drive) Watch(ctx context.Context, k sources.Keeper) error {
	w := newWatch(d, k)
	for next := time.Now(); ctx.Err() == nil; {
		d.beat()
		w.step(ctx)
		w.showIncident()
		next = next.Add(w.interval())
		if now := time.Now(); next.Before(now) {
			next = now // late: go on from here instead of catching up in a burst
		}
		if pause(ctx, time.Until(next)) != nil {
			break
		}
	}
	w.stop()
	w.teller.close()
	return nil
}

// fault is a fault code in words.
func (d *Drive) fault(code uint32) capture.Fault {
	f := d.Faults.Lookup(code)
	if f.Severity == "" {
		f.Severity = capture.Alarm
	}
	return f
}

// fastest is the shortest time between polls, so that a quick drive isn't hammered.
const fastest = 20 * time.Millisecond

func (d *Drive) poll() time.Duration {
	if d.Config.Poll > 0 {
		return time.Duration(d.Config.Poll)
	}
	return DefaultPoll
}

// Address is where the drive is: host:port and unit.
func (d *Drive) Address() string { return d.object() }

// object names the drive in errors and in a capture's origin.
func (d *Drive) object() string { return fmt.Sprintf("%s unit %d", d.Config.Address, d.line.unit) }

// workers is over how many connections a pull is spread: all connections of a
// drive see the same page of a window.
func (d *Drive) workers() int {
	if d.Map.Data.Layout == regmap.Window {
		return 1
	}
	return d.connections()
}

// connections is how many may be open to the drive's address.
func (d *Drive) connections() int {
	if d.Config.Connections > 0 {
		return d.Config.Connections
	}
	return max(1, d.Map.Limits.Connections)
}
