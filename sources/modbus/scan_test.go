package modbus_test

import (
	"encoding/binary"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/sources/modbus"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/sources/sourcetest"
)

// What a Modbus server that isn't ours serves is shown as it came and as the
// map means it. Numbers by hand: two's complement, IEEE 754 (1.5 is 3FC00000).
func TestScanOfPymodbus(t *testing.T) {
	words := []uint16{0x0008, 0x2311, 3, 0xFF9C, 0xE240, 0x0001, 0x3FC0, 0x0000, 0x7FC0, 0x0000, 42}
	image := make([]byte, 0, 2*len(words))
	for _, w := range words {
		image = binary.BigEndian.AppendUint16(image, w)
	}
	address := sourcetest.Python(t, "peers/pymodbus_drive.py", "--image", write(t, t.TempDir(), "image", image))
	m, problems := regmap.Parse("map.yaml", []byte(`
name: peer
status:
  fault: {holding: 0, bit: 3}
  fault_code: {input: 1, values: {0x2311: output overcurrent}}
  state: {holding: 2, values: {0: idle, 1: armed, 2: recording, 3: ready}}
live:
  - {name: torque, holding: 3, type: int16, scale: 0.1, unit: Nm}
  - {name: counter, holding: 4, type: uint32, words: low-first}
  - {name: current, holding: 6, type: float32, unit: A}
  - {name: nothing, holding: 8, type: float32, unit: A}
  - {name: odd, coil: 1}
  - {name: even, discrete: 0}
header: {samples: 100, interval: 1ms, trigger: 10}
channels: [{name: speed, role: speed, unit: rpm}]
data: {layout: block, holding: 1000, order: by-channel, type: int16}
expect: [{name: divider, holding: 10, equals: 40}]
`))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	s := modbus.NewScanner(address, 1, m, time.Second)
	defer s.Close()
	for range 2 {
		got, err := s.Scan(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		var lines []string
		for _, v := range got {
			number := "none"
			if v.Number != nil {
				number = fmt.Sprint(*v.Number)
			}
			lines = append(lines, strings.Join([]string{v.Section, v.Name, v.Where, v.Type, v.Raw, number, v.Text + v.Error}, " | "))
		}
		want := []string{
			"status | fault | holding 0 | uint16 bit 3 | 0008 | 1 | 1",
			"status | fault_code | input 1 | uint16 | 2311 | 8977 | output overcurrent",
			"status | state | holding 2 | uint16 | 0003 | 3 | ready",
			"live | torque | holding 3 | int16 | FF9C | -10 | -10 Nm",
			"live | counter | holding 4–5 | uint32 | E240 0001 | 123456 | 123456",
			"live | current | holding 6–7 | float32 | 3FC0 0000 | 1.5 | 1.5 A",
			"live | nothing | holding 8–9 | float32 | 7FC0 0000 | none | NaN A",
			"live | odd | coil 1 | bit | 1 | 1 | 1",
			"live | even | discrete 0 | bit | 0 | 0 | 0",
			"expect | divider | holding 10 | uint16 | 002A | 42 | 42, wanted 40",
		}
		if diff := cmp.Diff(want, lines); diff != "" {
			t.Error(diff)
		}
	}
}

// A drive that isn't there ends the scan with one error, not one for each value.
func TestScanOfNobody(t *testing.T) {
	m, problems := regmap.Parse("map.yaml", []byte(fmt.Sprintf(peerMap, "layout: block, holding: 1000")))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	s := modbus.NewScanner("127.0.0.1:1", 1, m, time.Second)
	defer s.Close()
	got, err := s.Scan(t.Context())
	if err == nil || len(got) > 0 {
		t.Errorf("%v, %v", got, err)
	}
}
