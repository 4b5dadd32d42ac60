package main

import (
	"testing"
	"time"
)

// What is chosen for the drives is what they do; what isn't stays theirs.
func TestSimulatedDrives(t *testing.T) {
	usual, err := simulateCommand{Trips: "20s"}.specs(1)
	if err != nil {
		t.Fatal(err)
	}
	chosen, err := simulateCommand{Trips: "9s", Reset: "400ms", Latency: 80 * time.Millisecond}.specs(1)
	if err != nil {
		t.Fatal(err)
	}
	never, err := simulateCommand{Trips: "20s", Reset: "never"}.specs(1)
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range chosen {
		if s.Plan.Mean != 9*time.Second || s.Plan.ResetMin != 400*time.Millisecond || s.Plan.ResetMax != 400*time.Millisecond || s.Latency != 80*time.Millisecond {
			t.Errorf("%s: %+v, latency %s", s.Name, s.Plan, s.Latency)
		}
		if u := usual[i]; u.Plan.ResetMax <= u.Plan.ResetMin || u.Latency > 5*time.Millisecond {
			t.Errorf("%s: %+v, latency %s", u.Name, u.Plan, u.Latency)
		}
		if n := never[i]; n.Plan.ResetMax != 0 {
			t.Errorf("%s: %+v", n.Name, n.Plan)
		}
	}
}
