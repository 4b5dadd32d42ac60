package storetest

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"faultkeep/store"
	"faultkeep/store/capture"
)

// Night is when the recordings of these tests begin: a night at Northquay.
var Night = time.Date(2026, 11, 25, 3, 12, 7, 410e6, time.UTC)

// Recording is a made-up recording: number n of a drive, with channels
// channels of samples int16 samples. The same arguments give the same
// recording, other numbers give other bytes. data has 2 × channels × samples bytes.
func Recording(drive string, n, channels, samples int) (c capture.Capture, data []byte) {
	c = capture.Capture{
		Drive: drive, Title: title(drive), DriveType: "example",
		Fault:   capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1", Class: capture.ClassCurrent, Severity: capture.Alarm, Table: "iec-61800-7-201"},
		Trigger: capture.Trigger{Time: Night.Add(time.Duration(n) * time.Minute), Index: samples * 3 / 4},
		Timing:  capture.Timing{Samples: samples, Interval: 0.001},
		Encoding: capture.Encoding{
			Order: capture.Interleaved, Samples: samples,
		},
		Provenance: capture.Provenance{Source: "modbus", Address: "127.0.0.1:502/1", Map: "example", Identity: fmt.Sprintf("recording %d", n)},
	}
	c.Trigger.Earliest = c.Trigger.Time.Add(-130 * time.Millisecond)
	c.Trigger.Latest = c.Trigger.Time.Add(130 * time.Millisecond)
	c.Provenance.Ready = c.Trigger.Time.Add(500 * time.Millisecond)
	for i := range channels {
		role := capture.Roles[i%len(capture.Roles)]
		c.Channels = append(c.Channels, capture.Channel{Name: string(role), Unit: "1/min", Role: role})
		c.Encoding.Channels = append(c.Encoding.Channels, capture.Coding{Type: capture.Int16, Scale: 0.1})
	}
	c.ID = capture.NewID(c.Trigger.Time, drive, c.Provenance.Identity)
	c.Integrity = capture.Integrity{Whole: true, Size: c.Encoding.Size(), Verified: []string{"identity before and after"}}
	data = make([]byte, c.Encoding.Size())
	r := rand.New(rand.NewPCG(uint64(n), uint64(len(drive))))
	for i := 0; i+1 < len(data); i += 2 {
		binary.BigEndian.PutUint16(data[i:], uint16(r.Uint32()))
	}
	return c, data
}

func title(drive string) string {
	if drive == "elevator" {
		return "Bucket elevator"
	}
	return ""
}

// Chunk is the bytes [from, to) of data as a chunk of part Data.
func Chunk(data []byte, from, to int) capture.Chunk {
	return capture.Chunk{Part: capture.Data, Offset: int64(from), Bytes: data[from:to]}
}

// Keep keeps recording n of a drive, whole, and fails the test if that doesn't work.
func Keep(t testing.TB, s *store.Store, drive string, n, channels, samples int) capture.Capture {
	t.Helper()
	c, data := Recording(drive, n, channels, samples)
	d, err := s.Draft(context.Background(), c)
	if err != nil {
		t.Fatal(err)
	}
	kept, err := d.Keep(context.Background(), c, capture.Chunk{Part: capture.Data, Bytes: data})
	if err != nil {
		t.Fatal(err)
	}
	return kept
}
