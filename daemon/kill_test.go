package daemon_test

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"faultkeep/daemon"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
	"faultkeep/store/format/formattest"
)

// asDaemon makes the test binary run a daemon with this config file.
const asDaemon = "FAULTKEEP_TEST_DAEMON"

func TestMain(m *testing.M) {
	config.Formats = append(config.Formats, formattest.Toy{})
	if path := os.Getenv(asDaemon); path != "" {
		loaded, problems := config.Load(path)
		if len(problems) > 0 {
			fmt.Fprintln(os.Stderr, problems)
			os.Exit(2)
		}
		if _, err := daemon.Start(context.Background(), loaded, daemon.Options{}); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		select {}
	}
	if addresses := os.Getenv(asBareLoop); addresses != "" {
		bareLoop(addresses)
	}
	// The storms limit the size of every file that this process writes: the go
	// tool's log of what a test opens would hit the limit too.
	flag.Parse()
	_ = flag.Set("test.testlogfile", "")
	os.Exit(m.Run())
}

// process runs the daemon as a process of its own; the result kills it at
// once, as a power cut would.
func (p *plant) process(t *testing.T) (kill func()) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), asDaemon+"="+p.config)
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	kill = sync.OnceFunc(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	t.Cleanup(kill)
	return kill
}

// slowPull is a recording whose pull takes about two seconds: 512 requests of
// 4 ms.
func slowPull() (drivesim.Spec, drivesim.Behaviour) {
	return drivesim.Spec{Name: "elevator", Pattern: true, Recorder: drivesim.Recorder{Samples: 8000, Interval: 10 * time.Microsecond}},
		drivesim.Behaviour{Latency: 4 * time.Millisecond}
}

// dataReads counts how often each piece of the recording was asked for.
type dataReads struct {
	mu    sync.Mutex
	count map[uint16]int
}

func (d *dataReads) script(q drivesim.Request) drivesim.Action {
	if q.Count > 60 {
		d.mu.Lock()
		d.count[q.Address]++
		d.mu.Unlock()
	}
	return drivesim.Action{}
}

func (d *dataReads) sum() (once, again int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, n := range d.count {
		once++
		again += n - 1
	}
	return once, again
}

func TestKilledInMidPullResumes(t *testing.T) {
	reads := &dataReads{count: map[uint16]int{}}
	spec, b := slowPull()
	b.Misbehave = reads.script
	p := newPlant(t, spec, b)
	kill := p.process(t)
	p.trip(t)
	eventually(t, "half way", func() bool { n, _ := reads.sum(); return n > 350 })
	kill()
	p.process(t)
	c := p.oneCapture(t)
	if !c.Integrity.Whole || c.Provenance.Resumed != 1 {
		t.Fatalf("%+v, resumed %d times", c.Integrity, c.Provenance.Resumed)
	}
	p.sameBytes(t, c)
	// The edge: what was read since the last check, at most half a second's
	// worth (125 requests), and since the last save; and one piece that proves
	// the draft.
	if once, again := reads.sum(); again > 130 {
		t.Errorf("%d of %d pieces were read twice", again, once)
	} else {
		t.Logf("%d of %d pieces were read twice", again, once)
	}
	eventually(t, "told", func() bool { return p.alerts.Load() == 1 })
	p.verify(t)
}

func TestKilledThenErasedIsPartial(t *testing.T) {
	reads := &dataReads{count: map[uint16]int{}}
	spec, b := slowPull()
	b.Misbehave = reads.script
	p := newPlant(t, spec, b)
	kill := p.process(t)
	p.trip(t)
	eventually(t, "half way", func() bool { n, _ := reads.sum(); return n > 350 })
	kill()
	p.sim.Reset(time.Now())
	p.process(t)
	c := p.oneCapture(t)
	from, to, ok := c.Span()
	if c.Integrity.Whole || !ok || from >= 0 || to <= 0 || !strings.Contains(c.Integrity.Why, "not running") {
		t.Errorf("%v…%v %+v", from, to, c.Integrity)
	}
	p.sameBytes(t, c)
	p.verify(t)
}

func TestResetInMidPullIsPartialAndTheLedgerSaysWhy(t *testing.T) {
	reads := &dataReads{count: map[uint16]int{}}
	spec, b := slowPull()
	b.Misbehave = reads.script
	p := newPlant(t, spec, b)
	p.start(t)
	p.trip(t)
	eventually(t, "half way", func() bool { n, _ := reads.sum(); return n > 250 })
	p.sim.Reset(time.Now())
	c := p.oneCapture(t)
	from, to, ok := c.Span()
	if c.Integrity.Whole || !ok || from >= 0 || to <= 0 {
		t.Errorf("%v…%v %+v", from, to, c.Integrity)
	}
	p.sameBytes(t, c)
	a, err := archive.Open(t.Context(), p.data)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	ledger, err := a.Ledger(t.Context(), archive.Query{})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range ledger {
		if e.Capture == c.ID && strings.Contains(e.Text, "Reset ") {
			return
		}
	}
	t.Errorf("the ledger does not say why: %+v", ledger)
}

// oneCapture waits for the one capture that there is to be.
func (p *plant) oneCapture(t *testing.T) (c capture.Capture) {
	t.Helper()
	eventually(t, "kept", func() bool {
		a, err := archive.Open(t.Context(), p.data)
		if err != nil {
			return false // the daemon has the store and isn't up yet
		}
		defer a.Close()
		list, err := a.Captures(t.Context(), archive.Query{})
		if err != nil || len(list) == 0 {
			return false
		}
		if len(list) > 1 {
			t.Fatalf("%d captures", len(list))
		}
		c = list[0]
		return true
	})
	return c
}

// sameBytes holds every byte that was kept against what the drive served.
func (p *plant) sameBytes(t *testing.T, c capture.Capture) {
	t.Helper()
	a, err := archive.Open(t.Context(), p.data)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	data, have, err := a.Original(t.Context(), c.ID, capture.Data)
	if err != nil {
		t.Fatal(err)
	}
	served := p.sim.Truth(time.Now())[0].Data
	for _, r := range have {
		if string(data[r.Start:r.End]) != string(served[r.Start:r.End]) {
			t.Errorf("bytes %d–%d differ from what the drive served", r.Start, r.End)
		}
	}
}
