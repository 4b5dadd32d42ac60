package drivesim_test

import (
	"testing"
	"time"

	"faultkeep/sources/drivesim"
)

// BenchmarkTrip is one trip with its recording of 1024 samples at 1 ms.
func BenchmarkTrip(b *testing.B) {
	for i := range b.N {
		d := drivesim.New(drivesim.Spec{Name: "x", Machine: drivesim.Elevator(), Seed: uint64(i)}, start)
		d.Trip(start, drivesim.Jam)
		d.Incidents(start.Add(time.Second))
	}
}

// BenchmarkRead is a read of 125 registers of data, without a network.
func BenchmarkRead(b *testing.B) {
	d := drivesim.New(quick(nil), start)
	d.Replace(start)
	for b.Loop() {
		d.Read(start, drivesim.Holding, 1024, 125)
	}
}

// BenchmarkPoll is a status poll of a hundred drives to which nothing happens.
func BenchmarkPoll(b *testing.B) {
	var drives []*drivesim.Drive
	for i := range 100 {
		drives = append(drives, drivesim.New(quick(func(s *drivesim.Spec) { s.Seed = uint64(i) }), start))
	}
	now := start
	for b.Loop() {
		now = now.Add(250 * ms)
		for _, d := range drives {
			d.Read(now, drivesim.Holding, 0, 30)
		}
	}
}
