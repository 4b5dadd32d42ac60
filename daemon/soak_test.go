package daemon_test

import (
	"bufio"
	"flag"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/demo"
	"faultkeep/sources/drivesim"
)

var (
	soakFor    = flag.Duration("soak", 0, "soak a daemon in faults for so long")
	soakDrives = flag.Int("soak.drives", 100, "drives in the soak")
)

// TestSoak lets a daemon watch many drives that trip, lose power and lose
// their lines all the time, and holds that it is no larger afterwards than it
// was when the storm had only begun: memory, goroutines, file descriptors, and
// a store whose size is that of what it keeps.
func TestSoak(t *testing.T) {
	if *soakFor == 0 {
		t.Skip("takes as long as -soak says, such as -soak=10m")
	}
	p := newSoakPlant(t)
	pid := beginProcess(t, asDaemon+"="+p.config)
	p.awaitDaemon(t)
	began := time.Now()
	var sizes []size
	for next := began.Add(*soakFor / 5); time.Since(began) < *soakFor; {
		p.strike()
		if time.Now().After(next) {
			sizes, next = append(sizes, p.measure(t, pid)), next.Add(*soakFor/5)
			t.Logf("after %s: %s", time.Since(began).Round(time.Second), sizes[len(sizes)-1])
		}
	}
	for _, sim := range p.sims {
		sim.Rest(time.Now())
		sim.Reset(time.Now())
	}
	time.Sleep(50 * time.Second) // for the last pulls, and for the traces, which go on after a trip
	first, calm := sizes[0], p.measure(t, pid)
	const idle = 20 * time.Second
	time.Sleep(idle)
	end := p.measure(t, pid)
	perHour := float64(end.written-calm.written) * float64(time.Hour/idle)
	t.Logf("calm: %s; idle %.2f MB an hour to disk", end, perHour/1e6)
	if end.goroutines > first.goroutines+20 || end.files > first.files+10 {
		t.Errorf("grew from %s to %s", first, end)
	}
	if last := sizes[len(sizes)-1]; last.memory > first.memory*3/2+20e6 {
		t.Errorf("grew in the storm from %s to %s", first, last)
	}
	p.explainSize(t)
	sum := p.judge(t, []demo.Period{{From: began.Add(-time.Minute), To: time.Now()}}) // winning is the storms' matter
	t.Logf("recordings %d, kept %d, partial %d, misses %d, mixed %d, untold %d", sum.Recordings, sum.Kept, sum.Partial, sum.Misses, sum.Mixed, sum.Untold)
	if sum.Mixed > 0 || sum.Untold > 0 || sum.Kept == 0 {
		t.Errorf("%+v", sum)
	}
}

type soakPlant struct {
	stormPlant
	dice *rand.Rand
}

func newSoakPlant(t *testing.T) *soakPlant {
	t.Helper()
	folder := t.TempDir()
	p := &soakPlant{dice: rand.New(rand.NewPCG(*stormSeed, 5))}
	p.calm = drivesim.Behaviour{Latency: time.Millisecond}
	p.data, p.config = filepath.Join(folder, "data"), filepath.Join(folder, "faultkeep.yaml")
	var text strings.Builder
	fmt.Fprintf(&text, "site: Northquay\ndata: %s\nweb: {listen: \"127.0.0.1:0\"}\npoll: 250ms\ndrives:\n", p.data)
	for i := range *soakDrives {
		face := []drivesim.Face{drivesim.Block, drivesim.Window, drivesim.Files}[i%3]
		spec := drivesim.Spec{Name: fmt.Sprintf("drive-%d", i+1), Face: face, Pattern: true, Seed: *stormSeed*1000 + uint64(i),
			Recorder: drivesim.Recorder{Samples: 512, Interval: time.Millisecond},
			Plan: drivesim.Plan{Mean: time.Minute, Least: 5 * time.Second, ResetMin: time.Second, ResetMax: 20 * time.Second,
				CutChance: 0.1, CutFor: 3 * time.Second}}
		sim := drivesim.New(spec, time.Now())
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		server := drivesim.Serve(t.Context(), l, map[uint8]*drivesim.Drive{1: sim}, p.calm)
		t.Cleanup(func() { server.Close() })
		p.sims, p.servers = append(p.sims, sim), append(p.servers, server)
		path := filepath.Join(folder, string(face)+".yaml")
		if err := os.WriteFile(path, []byte(sim.Map()), 0o600); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&text, "  - {name: %s, address: %q, map: %s.yaml, allow: [page, arm]}\n", spec.Name, l.Addr(), face)
	}
	if err := os.WriteFile(p.config, []byte(text.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return p
}

// strike troubles one line for a while.
func (p *soakPlant) strike() {
	time.Sleep(time.Duration(p.dice.IntN(1000)) * time.Millisecond)
	s := p.servers[p.dice.IntN(len(p.servers))]
	switch p.dice.IntN(3) {
	case 0:
		s.Drop()
	case 1:
		s.Set(drivesim.Behaviour{BlackHole: true})
		time.AfterFunc(time.Duration(1+p.dice.IntN(10))*time.Second, func() {
			s.Set(p.calm)
			s.Drop()
		})
	}
}

type size struct {
	memory     int64 // resident bytes that are the process's own, not the store's file
	written    int64 // bytes to disk so far
	files      int
	goroutines int
}

func (s size) String() string {
	return fmt.Sprintf("%.1f MB, %d goroutines, %d files open", float64(s.memory)/1e6, s.goroutines, s.files)
}

func (p *soakPlant) measure(t *testing.T, pid int) size {
	t.Helper()
	u := usage(t, pid)
	files, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	if err != nil {
		t.Fatal(err)
	}
	return size{memory: ownMemory(t, pid), written: u.written, files: len(files), goroutines: int(p.metric(t, "go_goroutines"))}
}

// ownMemory is RssAnon of proc_pid_status(5): what is mapped of the store's
// file isn't in it, since that grows with the store and is given up at need.
func ownMemory(t *testing.T, pid int) int64 {
	t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(b)) {
		if rest, ok := strings.CutPrefix(line, "RssAnon:"); ok {
			kilobytes, err := strconv.ParseInt(strings.Fields(rest)[0], 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			return kilobytes << 10
		}
	}
	t.Fatal("no RssAnon")
	return 0
}

// metric reads one figure from the daemon's metrics.
func (p *soakPlant) metric(t *testing.T, name string) float64 {
	t.Helper()
	e, err := archive.ReadEndpointFile(p.data)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := http.Get(e.Address + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	for lines := bufio.NewScanner(answer.Body); lines.Scan(); {
		if rest, ok := strings.CutPrefix(lines.Text(), name+" "); ok {
			v, err := strconv.ParseFloat(rest, 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
	}
	t.Fatalf("no %s in the metrics", name)
	return 0
}

// explainSize holds the store's size against what is in it.
func (p *soakPlant) explainSize(t *testing.T) {
	t.Helper()
	a, err := archive.Open(t.Context(), p.data)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	report, err := a.Verify(t.Context(), nil)
	if err != nil || len(report.Problems) > 0 {
		t.Errorf("verify: %+v, %v", report, err)
	}
	info, err := os.Stat(filepath.Join(p.data, archive.StoreFile))
	if err != nil {
		t.Fatal(err)
	}
	entries, err := a.Ledger(t.Context(), archive.Query{})
	if err != nil {
		t.Fatal(err)
	}
	// A page of 4 KiB for each of the few entries that every capture has, and as
	// much again for what was freed and waits to be used.
	room := 2 * (report.Bytes + int64(report.Captures)*5*4096 + int64(len(entries))*1024 + 16<<20)
	t.Logf("store %.1f MB for %d captures with %.1f MB of originals and %d lines of the ledger", float64(info.Size())/1e6,
		report.Captures, float64(report.Bytes)/1e6, len(entries))
	if info.Size() > room {
		t.Errorf("the store takes %d bytes, %d would explain", info.Size(), room)
	}
}
