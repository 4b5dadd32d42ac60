package daemon_test

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
	"faultkeep/daemon/web/wire"
	"faultkeep/sources"
	"faultkeep/sources/drivesim"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/coverage"
)

// yard is a plant whose config can be written anew: the elevator alone at its
// address, the two fans behind one gateway.
type yard struct {
	elevator  *drivesim.Drive
	alone     *drivesim.Server
	gateway   *drivesim.Server
	config    string
	data      string
	addresses [2]string
	app       *daemon.App
	pulling   atomic.Int64 // bytes of the elevator's pull so far
}

func newYard(t *testing.T) *yard {
	t.Helper()
	y := &yard{}
	folder := t.TempDir()
	y.data, y.config = filepath.Join(folder, "data"), filepath.Join(folder, "faultkeep.yaml")
	serve := func(latency time.Duration, drives ...*drivesim.Drive) *drivesim.Server {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		units := map[uint8]*drivesim.Drive{}
		for i, d := range drives {
			units[uint8(i+1)] = d
		}
		s := drivesim.Serve(context.Background(), l, units, drivesim.Behaviour{Latency: latency})
		t.Cleanup(func() { s.Close() })
		return s
	}
	recorder := drivesim.Recorder{Samples: 2048, Interval: 100 * time.Microsecond}
	y.elevator = drivesim.New(drivesim.Spec{Name: "elevator", Recorder: recorder}, time.Now())
	fan := func(name string) *drivesim.Drive {
		return drivesim.New(drivesim.Spec{Name: name, Recorder: recorder}, time.Now())
	}
	y.alone, y.gateway = serve(8*time.Millisecond, y.elevator), serve(time.Millisecond, fan("fan-1"), fan("fan-2"))
	y.addresses = [2]string{y.alone.Addr().String(), y.gateway.Addr().String()}
	if err := os.WriteFile(filepath.Join(folder, "map.yaml"), []byte(y.elevator.Map()), 0o600); err != nil {
		t.Fatal(err)
	}
	return y
}

func (y *yard) drive(name, more string) string {
	address, unit := y.addresses[0], 1
	if n, ok := strings.CutPrefix(name, "fan-"); ok {
		address, unit = y.addresses[1], int(n[0]-'0')
	}
	return fmt.Sprintf("  - {name: %s, address: %q, unit: %d, map: map.yaml, poll: 50ms, connections: 1, trace: {before: 0s, after: 0s}, allow: [page, arm]%s}\n", name, address, unit, more)
}

func (y *yard) write(t *testing.T, head string, drives ...string) {
	t.Helper()
	text := fmt.Sprintf("timezone: UTC\ndata: %s\n%sdrives:\n%s", y.data, head, strings.Join(drives, ""))
	if !strings.Contains(head, "site:") {
		text = "site: Northquay\n" + text
	}
	if !strings.Contains(head, "web:") {
		text = "web: {listen: \"127.0.0.1:0\"}\n" + text
	}
	if err := os.WriteFile(y.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func (y *yard) start(t *testing.T) {
	t.Helper()
	loaded, problems := config.Load(y.config)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	app, err := daemon.Start(t.Context(), loaded, daemon.Options{Witness: func(o sources.Observation) {
		if o.Kind == sources.SeenPulling && o.Drive == "elevator" {
			y.pulling.Store(o.Done)
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := app.Stop(); err != nil {
			t.Error(err)
		}
	})
	y.app = app
}

func (y *yard) reload(t *testing.T) wire.Reloaded {
	t.Helper()
	done, err := y.app.Reload(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return done
}

func (y *yard) watched(t *testing.T, names ...string) {
	t.Helper()
	eventually(t, fmt.Sprint("watched: ", names), func() bool {
		seen := 0
		for _, d := range y.app.Drives() {
			if slices.Contains(names, d.Name()) && !d.Now().LastSeen.IsZero() {
				seen++
			}
		}
		return seen == len(names) && len(y.app.Drives()) == len(names)
	})
}

func (y *yard) ledger(t *testing.T) []store.Entry {
	t.Helper()
	list, err := y.app.Store.Ledger(t.Context(), store.Query{Kinds: []string{store.KindReload}})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// same compares what is said of drives.
func same(t *testing.T, got wire.Reloaded, added, removed, restarted, undisturbed string) {
	t.Helper()
	all := func(r wire.Reloaded) [4]string {
		join := func(l []string) string { return strings.Join(l, " ") }
		return [4]string{join(r.Added), join(r.Removed), join(r.Restarted), join(r.Undisturbed)}
	}
	if diff := cmp.Diff([4]string{added, removed, restarted, undisturbed}, all(got)); diff != "" || !got.OK {
		t.Errorf("%+v %s", got, diff)
	}
}

func TestReloadLeavesAPullAlone(t *testing.T) {
	y := newYard(t)
	y.write(t, "", y.drive("elevator", ""), y.drive("fan-1", ""))
	y.start(t)
	y.watched(t, "elevator", "fan-1")
	before := y.app.Drives()[0]
	eventually(t, "armed", func() bool { return before.Now().State == capture.Armed })
	y.elevator.Trip(time.Now(), drivesim.MainsDip)
	eventually(t, "in mid-pull", func() bool { return y.pulling.Load() > 0 })

	y.write(t, "", y.drive("elevator", ""), y.drive("fan-2", ", reset_after: 5s"))
	same(t, y.reload(t), "fan-2", "fan-1", "", "elevator")
	if n := y.pulling.Load(); n == 0 || n >= int64(len(y.elevator.Truth(time.Now())[0].Data)) {
		t.Fatalf("the pull was over before the reload was: %d bytes", n)
	}
	var kept []capture.Capture
	eventually(t, "kept", func() bool {
		a, err := archive.Open(t.Context(), y.data)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Close()
		kept, err = a.Captures(t.Context(), archive.Query{})
		return err == nil && len(kept) == 1
	})
	if c := kept[0]; !c.Integrity.Whole || c.Provenance.Resumed != 0 {
		t.Errorf("the pull was interrupted: %+v %+v", c.Integrity, c.Provenance)
	}
	if y.app.Drives()[0] != before {
		t.Error("the elevator is watched by another Drive")
	}
	if n := y.alone.Counts().Connections; n != 1 {
		t.Errorf("%d connections to a drive that didn't change", n)
	}
	y.watched(t, "elevator", "fan-2")
	if n := y.gateway.Counts().Connections; n != 1 {
		t.Errorf("%d connections to a gateway whose limits didn't change", n)
	}
	for _, s := range spellsOf(t, y.app, "elevator") {
		if s.To.IsZero() {
			t.Errorf("blind: %+v", s)
		}
	}
	if l := y.ledger(t); len(l) != 1 || !strings.Contains(l[0].Text, "Watched from now on: fan-2.") {
		t.Errorf("the ledger says %+v", l)
	}
}

func spellsOf(t *testing.T, app *daemon.App, drive string) []capture.Spell {
	t.Helper()
	list, err := app.Store.Spells(t.Context(), store.Query{Drives: []string{drive}})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestReloadOfAWrongFileChangesNothing(t *testing.T) {
	y := newYard(t)
	y.write(t, "", y.drive("elevator", ""))
	y.start(t)
	y.watched(t, "elevator")
	y.write(t, "", y.drive("elevator", ", pol: 1s"), y.drive("elevator", ""))
	_, want := config.Load(y.config)
	if len(want) < 2 {
		t.Fatalf("wrong in one way only: %v", want)
	}
	done := y.reload(t)
	if diff := cmp.Diff(want, done.Problems); diff != "" || done.OK {
		t.Errorf("not what check says (−check +reload): %v %s", done.OK, diff)
	}
	if done.Problems[0].Line == 0 || done.Problems[0].Column == 0 {
		t.Errorf("no place: %v", done.Problems[0])
	}
	if n := y.alone.Counts().Connections; n != 1 || len(y.app.Drives()) != 1 {
		t.Errorf("%d connections, %d drives", n, len(y.app.Drives()))
	}
	if l := y.ledger(t); len(l) != 1 || !strings.Contains(l[0].Text, "stays in force") || !strings.Contains(l[0].Text, done.Problems[0].Error()) {
		t.Errorf("the ledger says %+v", l)
	}
	if err := os.Remove(y.config); err != nil {
		t.Fatal(err)
	}
	if done := y.reload(t); done.OK || len(done.Problems) != 1 {
		t.Errorf("without a file: %+v", done)
	}
}

func TestReloadOfAGateway(t *testing.T) {
	y := newYard(t)
	y.write(t, "", y.drive("elevator", ""), y.drive("fan-1", ""), y.drive("fan-2", ""))
	y.start(t)
	y.watched(t, "elevator", "fan-1", "fan-2")
	// The endpoint's limits are as they were: only the changed drive begins anew.
	y.write(t, "", y.drive("elevator", ""), y.drive("fan-1", ", title: Exhaust fan"), y.drive("fan-2", ""))
	same(t, y.reload(t), "", "", "fan-1", "elevator fan-2")
	y.watched(t, "elevator", "fan-1", "fan-2")
	if n := y.gateway.Counts().Connections; n != 1 {
		t.Errorf("%d connections", n)
	}
	// A longer timeout is a matter of the shared connection: both begin anew.
	y.write(t, "", y.drive("elevator", ""), y.drive("fan-1", ", title: Exhaust fan"), y.drive("fan-2", ", timeout: 3s"))
	same(t, y.reload(t), "", "", "fan-1 fan-2", "elevator")
	y.watched(t, "elevator", "fan-1", "fan-2")
	eventually(t, "the old connection is closed, a new one open", func() bool {
		c := y.gateway.Counts()
		return c.Connections == 2 && c.Open == 1
	})
	if n := y.alone.Counts().Connections; n != 1 {
		t.Errorf("%d connections to the elevator", n)
	}
	same(t, y.reload(t), "", "", "", "elevator fan-1 fan-2")
}

func TestReloadEndsWhatIsKnownOfARemovedDrive(t *testing.T) {
	y := newYard(t)
	y.write(t, "", y.drive("elevator", ""), y.drive("fan-1", ""))
	y.start(t)
	y.watched(t, "elevator", "fan-1")
	eventually(t, "armed", func() bool { return y.app.Drives()[0].Now().State == capture.Armed })
	y.elevator.Trip(time.Now(), drivesim.MainsDip)
	eventually(t, "in mid-pull", func() bool { return y.pulling.Load() > 0 })
	y.write(t, "", y.drive("fan-1", ""))
	same(t, y.reload(t), "", "elevator", "", "fan-1")

	kept, err := archive.Pages(y.app.Store).Captures(t.Context(), archive.Query{})
	if err != nil {
		t.Fatal(err)
	}
	misses, err := archive.Pages(y.app.Store).Misses(t.Context(), archive.Query{})
	if err != nil {
		t.Fatal(err)
	}
	switch {
	case len(kept) == 1 && len(misses) == 0:
		if kept[0].Integrity.Whole || !strings.Contains(kept[0].Integrity.Why, "taken out of the config") {
			t.Errorf("%+v", kept[0].Integrity)
		}
	case len(kept) == 0 && len(misses) == 1:
		if !strings.Contains(misses[0].Text, "taken out of the config") {
			t.Errorf("%+v", misses[0])
		}
	default:
		t.Errorf("of the trip %d captures and %d misses are left", len(kept), len(misses))
	}
	if drafts, err := y.app.Store.Drafts(t.Context(), "elevator"); err != nil || len(drafts) > 0 {
		t.Errorf("%d drafts, %v", len(drafts), err)
	}
	// Nothing is claimed of it from now on: neither watched nor blind.
	gone := time.Now()
	time.Sleep(20 * time.Millisecond)
	shares, err := archive.Pages(y.app.Store).Coverage(t.Context(), archive.Query{Drive: "elevator", Since: gone})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range shares {
		for _, i := range c.Intervals {
			if i.State != coverage.Unclaimed {
				t.Errorf("claimed of a drive that isn't watched: %+v", i)
			}
		}
	}
	if strings.Contains(get(t, y.app.Address+"/metrics"), `drive="elevator"`) {
		t.Error("its metrics stay")
	}
}
