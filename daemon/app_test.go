package daemon_test

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"faultkeep/daemon"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

// plant is one simulated drive on loopback and the config to watch it with.
type plant struct {
	sim    *drivesim.Drive
	server *drivesim.Server
	config string // path of the file
	data   string
	alerts atomic.Int32 // accepted by the webhook
}

func newPlant(t *testing.T, spec drivesim.Spec, b drivesim.Behaviour) *plant {
	t.Helper()
	p := &plant{sim: drivesim.New(spec, time.Now())}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p.server = drivesim.Serve(context.Background(), l, map[uint8]*drivesim.Drive{1: p.sim}, b)
	t.Cleanup(func() { p.server.Close() })
	hook := &http.Server{Handler: http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		p.alerts.Add(1)
	})}
	h, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() { _ = hook.Serve(h) }()
	t.Cleanup(func() { hook.Close() })

	folder := t.TempDir()
	p.data = filepath.Join(folder, "data")
	p.config = filepath.Join(folder, "faultkeep.yaml")
	if err := os.WriteFile(filepath.Join(folder, "map.yaml"), []byte(p.sim.Map()), 0o600); err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf(`
site: Northquay
timezone: UTC
data: %s
web: {listen: "127.0.0.1:0"}
drives:
  - {name: elevator, title: Bucket elevator, address: %q, map: map.yaml, poll: 50ms, connections: 1, trace: {before: 2s, after: 300ms}, allow: [page, arm]}
alerts:
  sinks:
    - {name: hook, webhook: {url: "http://%s/"}}
`, p.data, l.Addr(), h.Addr())
	if err := os.WriteFile(p.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return p
}

func (p *plant) start(t *testing.T) *daemon.App {
	t.Helper()
	loaded, problems := config.Load(p.config)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	app, err := daemon.Start(t.Context(), loaded, daemon.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := app.Stop(); err != nil {
			t.Error(err)
		}
	})
	return app
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%s: not within a minute", what)
		}
	}
}

func (p *plant) trip(t *testing.T) {
	t.Helper()
	eventually(t, "armed", func() bool { return p.sim.State(time.Now()) == capture.Armed })
	p.sim.Trip(time.Now(), drivesim.MainsDip)
}

// verify opens the data folder as a command would and recomputes everything.
func (p *plant) verify(t *testing.T) {
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
}

func TestFromTripToPage(t *testing.T) {
	p := newPlant(t, drivesim.Spec{Name: "elevator", Recorder: drivesim.Recorder{Samples: 512, Interval: 500 * time.Microsecond}},
		drivesim.Behaviour{Latency: time.Millisecond})
	app := p.start(t)
	p.trip(t)
	var kept []capture.Capture
	eventually(t, "kept and told", func() bool {
		a, err := archive.Open(t.Context(), p.data)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Close()
		kept, err = a.Captures(t.Context(), archive.Query{})
		if err != nil {
			t.Fatal(err)
		}
		return len(kept) == 1 && p.alerts.Load() == 1
	})
	c := kept[0]
	truth := p.sim.Truth(time.Now())[0]
	if c.Fault.Code != uint32(truth.FaultCode) || !c.Integrity.Whole || c.Site != "Northquay" {
		t.Errorf("%+v", c)
	}
	for path, want := range map[string]string{"/": c.Fault.Name, "/capture/" + string(c.ID): "Bucket elevator"} {
		body := get(t, app.Address+path)
		if !strings.Contains(body, want) {
			t.Errorf("%s does not show %q", path, want)
		}
	}
	trace := "/capture/" + string(c.ID.TraceID())
	eventually(t, "the trace is beside it", func() bool {
		return strings.Contains(get(t, app.Address+"/capture/"+string(c.ID)), trace)
	})
	if back := get(t, app.Address+trace); !strings.Contains(back, "/capture/"+string(c.ID)+"\"") || !strings.Contains(back, "trace only") {
		t.Error("the trace's page does not lead back to the recording")
	}
	a, err := archive.Open(t.Context(), p.data)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	data, _, err := a.Original(t.Context(), c.ID, capture.Data)
	if err != nil || string(data) != string(truth.Data) {
		t.Errorf("the original bytes differ from what the drive served: %v", err)
	}
	p.verify(t)
	if err := app.Stop(); err != nil {
		t.Fatal(err)
	}
	p.verify(t)
}

func get(t *testing.T, url string) string {
	t.Helper()
	r, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s %v", url, r.Status, err)
	}
	return string(body)
}
