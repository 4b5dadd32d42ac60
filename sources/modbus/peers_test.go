package modbus_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/sources/modbus"
	"faultkeep/sources/sourcetest"
)

// peerMap is a drive that Debian's python3-pymodbus plays: all of its
// registers, and the recording in them or in file records, come from images
// that the test writes. Nothing of it shares code with faultkeep.
const peerMap = `
name: peer
status:
  fault: {holding: 0, bit: 3}
  fault_code: {holding: 1}
  state: {holding: 2, values: {0: idle, 1: armed, 2: recording, 3: ready}}
identity:
  - {name: counter, holding: 4, type: uint32}
header: {samples: {holding: 8}, interval: {holding: 9, scale: 0.0001}, trigger: {holding: 10}}
channels:
  - {name: speed, role: speed, unit: rpm, scale: 0.1}
  - {name: current, role: current, unit: A, type: float32}
  - {name: dc link, role: dc-link, unit: V, type: int32, scale: 0.001}
data: {%s, order: by-channel, type: int16, words: high-first}
`

func TestPullsFromPymodbusBitForBit(t *testing.T) {
	const samples, trigger = 3001, 2222
	data := make([]byte, samples*(2+4+4))
	dice := rand.New(rand.NewPCG(6, 20))
	for i := range data {
		data[i] = byte(dice.Uint32())
	}
	for name, c := range map[string]struct {
		layout string
		data   func(registers []byte) (files []byte)
	}{
		"registers":    {"layout: block, holding: 1000", func(r []byte) []byte { copy(r[2*1000:], data); return nil }},
		"file records": {"layout: file-records, file: 1, record: 9500", func([]byte) []byte { return append(make([]byte, 2*9500), data...) }},
	} {
		t.Run(name, func(t *testing.T) {
			registers := make([]byte, 2*40000)
			for at, word := range map[int]uint16{0: 0x0008, 1: 0x2311, 2: 3, 4: 7, 5: 4711, 8: samples, 9: 25, 10: trigger} {
				binary.BigEndian.PutUint16(registers[2*at:], word)
			}
			folder := t.TempDir()
			files := c.data(registers)
			args := []string{"--image", write(t, folder, "registers", registers)}
			if files != nil {
				args = append(args, "--files", write(t, folder, "files", files))
			}
			kept := watchPeer(t, sourcetest.Python(t, "peers/pymodbus_drive.py", args...), fmt.Sprintf(peerMap, c.layout))
			if !kept.Integrity.Whole || string(kept.Data) != string(data) {
				t.Fatalf("%+v, %d bytes, equal %v", kept.Integrity, len(kept.Data), string(kept.Data) == string(data))
			}
			if got := kept.Provenance.Identity; got != "counter=463463" {
				t.Errorf("identity %q", got)
			}
			if kept.Fault.Code != 0x2311 || kept.Timing.Interval != 0.0025 || kept.Trigger.Index != trigger {
				t.Errorf("fault %v, interval %g, trigger %d", kept.Fault, kept.Timing.Interval, kept.Trigger.Index)
			}
		})
	}
}

func write(t *testing.T, folder, name string, data []byte) string {
	t.Helper()
	path := filepath.Join(folder, name)
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// watchPeer watches a drive over real TCP until its recording is kept.
func watchPeer(t *testing.T, address, mapText string) sourcetest.Kept {
	t.Helper()
	plant := modbus.Connect([]modbus.Options{{Map: parseMap(t, mapText), Faults: faultTables(t),
		Config: modbus.Config{Name: "peer", Address: address, Poll: strict.Duration(50 * time.Millisecond)}}})
	defer plant.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	keeper := &sourcetest.Keeper{}
	done := make(chan error, 1)
	go func() { done <- plant.Drives[0].Watch(ctx, keeper) }()
	for len(keeper.Kept()) == 0 && ctx.Err() == nil {
		time.Sleep(10 * time.Millisecond)
	}
	cancel()
	<-done
	if f := keeper.Faults(); len(f) > 0 {
		t.Error(f)
	}
	if len(keeper.Kept()) != 1 {
		for _, o := range keeper.Seen() {
			t.Logf("%+v", o)
		}
		t.Fatalf("%d captures", len(keeper.Kept()))
	}
	return keeper.Kept()[0]
}
