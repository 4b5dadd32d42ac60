package daemon_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/daemon/alert"
	"faultkeep/sources/drivesim"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// Killed after the receiver has taken an alert and before faultkeep knows of
// it: the receiver gets it again, with the same ID, and nothing is lost.
func TestKilledBetweenTakenAndKnown(t *testing.T) {
	p := newPlant(t, drivesim.Spec{Name: "elevator", Pattern: true}, drivesim.Behaviour{})
	var mu sync.Mutex
	var got []string
	arrived, answer := make(chan struct{}, 10), make(chan struct{})
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var e struct{ ID string }
		_ = json.NewDecoder(r.Body).Decode(&e)
		mu.Lock()
		got = append(got, e.ID)
		first := len(got) == 1
		mu.Unlock()
		arrived <- struct{}{}
		if first {
			select { // taken, and the answer is on its way for ever
			case <-answer:
			case <-r.Context().Done():
			}
		}
	}))
	defer hook.Close()
	defer close(answer)
	b, err := os.ReadFile(p.config)
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)[:strings.Index(string(b), "alerts:")] + fmt.Sprintf("alerts: {sinks: [{name: hook, webhook: {url: %q}}]}\n", hook.URL)
	if err := os.WriteFile(p.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	kill := p.process(t)
	p.trip(t)
	<-arrived
	kill()
	p.process(t)
	<-arrived
	eventually(t, "nothing waits", func() bool {
		mu.Lock()
		defer mu.Unlock()
		return len(got) == 2
	})
	if got[0] == "" || got[0] != got[1] {
		t.Errorf("the IDs are %q", got)
	}
}

// memory is a sink that answers, or doesn't.
type memory struct {
	mu     sync.Mutex
	dead   bool
	alerts map[string]capture.Alert
	order  []string
}

func (m *memory) die(dead bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.dead = dead
}

func (m *memory) Send(_ context.Context, a capture.Alert) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		return errors.New("no route to host")
	}
	if m.alerts[a.ID].ID == "" {
		m.order = append(m.order, a.ID)
	}
	m.alerts[a.ID] = a
	return nil
}

// Two days without the network, with a drive that trips once a minute, one
// that trips every six hours, and a restart each day. When the network is back,
// people get few messages, in order, which count every trip.
func TestOutageOfTwoDays(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "faultkeep.db")
		mail := &memory{alerts: map[string]capture.Alert{}}
		rules := alert.Rules{Sinks: []string{"mail"}, Repeat: map[string]time.Duration{"mail": 10 * time.Minute}}
		var s *store.Store
		var stop func()
		start := func() {
			var err error
			if s, err = store.Open(t.Context(), store.Options{Path: path, Site: "Northquay", Announce: rules.Route}); err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan struct{})
			go func() {
				defer close(done)
				alert.NewDispatcher(s, alert.Options{Sinks: map[string]alert.Sink{"mail": mail}}).Run(ctx)
			}()
			stop = func() {
				cancel()
				<-done
				if err := s.Close(); err != nil {
					t.Error(err)
				}
			}
		}
		n := 0
		trip := func(drive string) {
			n++
			m := capture.Miss{Time: time.Now(), Drive: drive, Fault: capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1"}, Cause: capture.CauseReset, Text: fmt.Sprintf("Miss %d.", n)}
			if err := s.Miss(t.Context(), m, capture.Alarm); err != nil {
				t.Fatal(err)
			}
		}
		start()
		trip("fan")
		time.Sleep(time.Minute)
		synctest.Wait()
		if len(mail.order) != 1 {
			t.Fatalf("before the outage: %q", mail.order)
		}
		mail.die(true)
		const minutes = 2 * 24 * 60
		for minute := range minutes {
			trip("elevator")
			if minute%360 == 0 {
				trip("belt-3")
			}
			if minute%1440 == 1000 {
				stop()
				start()
			}
			time.Sleep(time.Minute)
		}
		mail.die(false)
		time.Sleep(time.Hour)
		stop()
		start() // and nothing is told again
		time.Sleep(time.Hour)
		mail.mu.Lock()
		defer mail.mu.Unlock()
		told, messages := map[string]int{}, 0
		for i, id := range mail.order {
			a := mail.alerts[id]
			told[a.Drive] += max(a.Count, 1)
			messages++
			t.Logf("%s", a.Text)
			if i > 1 && a.Time.Before(mail.alerts[mail.order[1]].Time) {
				t.Errorf("message %d is older than the first after the outage", i)
			}
		}
		want := map[string]int{"fan": 1, "elevator": minutes, "belt-3": 8}
		for drive, trips := range want {
			if told[drive] != trips {
				t.Errorf("%s: %d of %d trips are told of", drive, told[drive], trips)
			}
		}
		if messages > 12 {
			t.Errorf("%d trips make %d messages", n, messages)
		}
		if c, err := s.AlertCounts(t.Context()); err != nil || c.Raised != n || c.Accepted != n || c.Waiting != 0 {
			t.Errorf("of %d: %+v, %v", n, c, err)
		}
		stop()
	})
}
