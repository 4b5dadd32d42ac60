package drivesim_test

import (
	"testing"
	"time"

	"faultkeep/sources/drivesim"
)

// The line plays as the demo needs it: something every few seconds, every
// face, a gateway, power cuts, and recordings of which most but not all leave
// time for a pull.
func TestNorthquay(t *testing.T) {
	specs := drivesim.Northquay(1)
	for i := range specs {
		specs[i].Pattern = true
	}
	endpoints := drivesim.Endpoints(specs, start)
	if len(specs) != 5 || len(endpoints) != 4 {
		t.Fatalf("%d drives at %d addresses", len(specs), len(endpoints))
	}
	const length = 10 * time.Minute
	end := start.Add(length)
	faces := map[drivesim.Face]bool{}
	trips, readable, lost, short, cuts := 0, 0, 0, 0, 0
	for _, e := range endpoints {
		for _, d := range e.Units {
			faces[d.Spec().Face] = true
			for now := time.Duration(0); now < length; now += 50 * ms { // somebody arms, as the watch does
				at := start.Add(now)
				if d.State(at) == "idle" {
					d.Arm(at)
				}
			}
			for _, in := range d.Incidents(end) {
				trips++
				if in.ByPower {
					cuts++
				}
				switch r := in.Readable(end); {
				case in.Lost():
					lost++
				case r < 700*ms:
					short++
				default:
					readable++
				}
			}
		}
	}
	if len(faces) != 3 {
		t.Errorf("faces %v", faces)
	}
	if every := length / time.Duration(trips); every < 2*sec || every > 8*sec {
		t.Errorf("a trip every %v", every)
	}
	if cuts < trips/50 || cuts > trips/5 {
		t.Errorf("%d of %d ended by a power cut", cuts, trips)
	}
	if lost+short < trips/40 || readable < trips*3/4 {
		t.Errorf("of %d trips %d were never readable, %d shorter than a pull takes, %d long enough", trips, lost, short, readable)
	}
	t.Logf("%d trips: %d readable, %d short, %d lost, %d power cuts", trips, readable, short, lost, cuts)
}
