package holdoff

import (
	"errors"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"github.com/simonvetter/modbus"
)

func TestTable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		unit := uint8(3)
		drives := []Drive{{Name: "belt-3", Pending: time.Now().Add(-90 * time.Second), Pulling: true, Watched: true, Beats: 65536 + 7, Keeps: 3<<16 + 5},
			{Name: "fan", Kept: true, Beats: 12}}
		s := New(Config{Unit: &unit, Allow: []string{"192.0.2.0/24", "::1"}}, func() []Drive { return drives }, slog.New(slog.DiscardHandler))
		bits, err := s.HandleDiscreteInputs(&modbus.DiscreteInputsRequest{ClientAddr: "192.0.2.9", UnitId: 3, Addr: 16, Quantity: 20})
		if err != nil {
			t.Fatal(err)
		}
		for i, want := range map[int]bool{InputPending: true, InputPulling: true, InputKept: false, InputWatched: true, 16 + InputPending: false, 16 + InputKept: true, 16 + InputWatched: false} {
			if bits[i] != want {
				t.Errorf("input %d is %v", 16+i, bits[i])
			}
		}
		words, err := s.HandleInputRegisters(&modbus.InputRegistersRequest{ClientAddr: "[::1]:4711", UnitId: 3, Addr: 0, Quantity: 48})
		if err != nil {
			t.Fatal(err)
		}
		for i, want := range map[int]uint16{HeadVersion: 1, HeadHeartbeat: 19, HeadDrives: 2, 16: 7, 17: 90, 18: 3, 19: 5, 32: 12, 33: 0} {
			if words[i] != want {
				t.Errorf("register %d is %d, want %d", i, words[i], want)
			}
		}
		for name, ask := range map[string]struct {
			r    modbus.InputRegistersRequest
			want error
		}{
			"another unit":     {modbus.InputRegistersRequest{ClientAddr: "192.0.2.9", UnitId: 1, Quantity: 1}, modbus.ErrGWTargetFailedToRespond},
			"another client":   {modbus.InputRegistersRequest{ClientAddr: "198.51.100.4", UnitId: 3, Quantity: 1}, modbus.ErrIllegalFunction},
			"no address":       {modbus.InputRegistersRequest{ClientAddr: "", UnitId: 3, Quantity: 1}, modbus.ErrIllegalFunction},
			"beyond the table": {modbus.InputRegistersRequest{ClientAddr: "192.0.2.9", UnitId: 3, Addr: 47, Quantity: 2}, modbus.ErrIllegalDataAddress},
			"far beyond":       {modbus.InputRegistersRequest{ClientAddr: "192.0.2.9", UnitId: 3, Addr: 65535, Quantity: 125}, modbus.ErrIllegalDataAddress},
		} {
			if _, err := s.HandleInputRegisters(&ask.r); !errors.Is(err, ask.want) {
				t.Errorf("%s: %v, want %v", name, err, ask.want)
			}
		}
		if _, err := s.HandleCoils(&modbus.CoilsRequest{ClientAddr: "192.0.2.9", UnitId: 3, Quantity: 1}); !errors.Is(err, modbus.ErrIllegalFunction) {
			t.Error(err)
		}
		if _, err := s.HandleHoldingRegisters(&modbus.HoldingRegistersRequest{ClientAddr: "192.0.2.9", UnitId: 3, Quantity: 1, IsWrite: true, Args: []uint16{1}}); !errors.Is(err, modbus.ErrIllegalFunction) {
			t.Error(err)
		}
		// The clock is put back: seconds don't become huge.
		drives[0].Pending = time.Now().Add(time.Hour)
		time.Sleep(time.Second)
		if words, _ := s.HandleInputRegisters(&modbus.InputRegistersRequest{ClientAddr: "192.0.2.9", UnitId: 3, Addr: 17, Quantity: 1}); words[0] != 0 {
			t.Errorf("pending for %d s", words[0])
		}
	})
}

func TestReferences(t *testing.T) {
	if a, b := Reference(1, 16), Reference(3, 0); a != "100017" || b != "300001" {
		t.Error(a, b)
	}
}
