package daemon

import (
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/modbus"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// A drive that isn't watched for a minute is told of, once, where a rule asks
// for it; a short spell isn't; and the alarm goes when it is watched again.
func TestBlindDriveIsToldOf(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := store.Open(t.Context(), store.Options{Path: filepath.Join(t.TempDir(), "faultkeep.db"), Site: "Northquay",
			Announce: func(capture.Alert) []capture.Delivery { return capture.To("mail") }})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		plant := modbus.Connect(nil)
		defer plant.Close()
		d := modbus.New(modbus.Options{Config: modbus.Config{Name: "belt-3", Title: "Belt conveyor 3", Address: "192.0.2.20:502"}})
		h := newHub([]*modbus.Drive{d}, nil)
		a := &App{Store: s, log: slog.New(slog.DiscardHandler)}
		h.witness(a.settles)
		go a.alarms(t.Context(), h)
		told := func() []store.Message {
			t.Helper()
			box, err := s.Outbox(t.Context(), "mail", 0)
			if err != nil {
				t.Fatal(err)
			}
			return box
		}
		see := func(kind sources.Seen, cause capture.Cause) {
			h.saw(sources.Observation{Kind: kind, Time: time.Now(), Drive: "belt-3", Since: time.Now(), Cause: cause, Text: "unreachable: 192.0.2.20:502 doesn't answer."})
		}
		see(sources.SeenBlind, capture.CauseUnreachable)
		time.Sleep(40 * time.Second)
		see(sources.SeenWatched, "")
		time.Sleep(5 * time.Minute)
		if box := told(); len(box) != 0 {
			t.Fatalf("a short spell is told of: %+v", box)
		}
		see(sources.SeenBlind, capture.CauseUnreachable)
		time.Sleep(50 * time.Second)
		see(sources.SeenBlind, capture.CauseNotArmed) // the same spell
		time.Sleep(10 * time.Minute)
		box := told()
		if len(box) != 1 || box[0].Alert.Kind != capture.KindBlind || !strings.HasPrefix(box[0].Alert.Text, "Belt conveyor 3 has not been watched for 1 min: unreachable: ") {
			t.Fatalf("%+v", box)
		}
		see(sources.SeenWatched, "")
		list, err := s.Alarms(t.Context())
		if err != nil || len(list) != 1 || list[0].State() != capture.ReturnedToNormal {
			t.Errorf("%+v, %v", list, err)
		}
	})
}
