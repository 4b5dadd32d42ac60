package drivesim_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

var machines = []drivesim.Machine{drivesim.Elevator(), drivesim.Belt(), drivesim.Slew(), drivesim.Fan()}

// Every cause leads to the protection that looks for it (codes of
// IEC 61800-7-201) and moves the signal first that it works on. Nothing is set
// to trip: the model's limits decide.
func TestCausesTripByTheirOwnLimits(t *testing.T) {
	for cause, c := range map[drivesim.Cause]struct {
		usual uint16
		also  []uint16
		first []capture.Role
	}{
		drivesim.Jam:         {0x2311, []uint16{0x7121}, []capture.Role{capture.RoleCurrent, capture.RoleTorque}},
		drivesim.MainsDip:    {0x3221, nil, []capture.Role{capture.RoleDCLink}},
		drivesim.Oscillation: {0x8611, []uint16{0x2311, 0x7121}, []capture.Role{capture.RoleCurrent, capture.RoleTorque, capture.RolePositionError}},
		drivesim.Runaway:     {0x7310, nil, []capture.Role{capture.RoleCurrent, capture.RoleTorque}},
		drivesim.EncoderLoss: {0x7305, nil, []capture.Role{capture.RoleSpeed}},
		drivesim.PhaseLoss:   {0x3130, nil, []capture.Role{capture.RoleDCLink}},
	} {
		t.Run(string(cause), func(t *testing.T) {
			t.Parallel()
			usual, all := 0, 0
			for _, m := range machines {
				for seed := range uint64(3) {
					d := drivesim.New(drivesim.Spec{Name: "x", Machine: m, Seed: seed,
						Recorder: drivesim.Recorder{Samples: 256, Interval: 2 * time.Millisecond}}, start)
					if !d.Trip(start.Add(time.Second), cause) {
						t.Errorf("%s, seed %d: no trip", m.Name, seed)
						continue
					}
					got := d.Truth(start.Add(time.Minute))[0]
					all++
					if got.FaultCode == c.usual {
						usual++
					} else if !slices.Contains(c.also, got.FaultCode) {
						t.Errorf("%s, seed %d: tripped with %04X", m.Name, seed, got.FaultCode)
					}
					atRest := m.Profile == drivesim.Travel && math.Abs(got.Samples[1][0]) < 20 // the encoder has nothing to lose yet
					if !slices.Contains(c.first, got.FirstMover) && !(atRest && cause == drivesim.EncoderLoss) {
						t.Errorf("%s, seed %d: %s moved first of %v", m.Name, seed, got.FirstMover, got.Movers)
					}
					if !got.Onset.Before(got.Tripped) || len(got.Movers) == 0 || got.Movers[0].At.Before(got.Onset) {
						t.Errorf("%s, seed %d: onset %v, trip %v, movers %v", m.Name, seed, got.Onset, got.Tripped, got.Movers)
					}
					check(t, got)
				}
			}
			if 10*usual < 4*all {
				t.Errorf("only %d of %d tripped with %04X", usual, all, c.usual)
			}
		})
	}
}

// check looks at a record's plain facts around the trip.
func check(t *testing.T, g drivesim.Truth) {
	t.Helper()
	fault := func(i int) bool { return int(g.Samples[7][i])&2 != 0 }
	if !fault(g.Index) || fault(g.Index-1) {
		t.Errorf("%s: the fault bit doesn't rise at the trigger", g.Cause)
	}
	if current := g.Samples[2][len(g.Samples[2])-1]; math.Abs(current) > 2 {
		t.Errorf("%s: %.1f A flow after the trip", g.Cause, current)
	}
	for ch, samples := range g.Samples {
		for i, v := range samples {
			if math.IsNaN(v) || math.Abs(v) > 30000 {
				t.Fatalf("%s: channel %d sample %d is %v", g.Cause, ch, i, v)
			}
		}
	}
}

// Noise is what the level says: of the temperature, which hardly moves by
// itself, the difference from sample to sample shows it.
func TestNoise(t *testing.T) {
	spread := func(n drivesim.Noise) float64 {
		d := drivesim.New(drivesim.Spec{Name: "x", Noise: n, Seed: 3}, start)
		d.Trigger(start)
		s := d.Truth(start.Add(time.Minute))[0].Samples[6]
		sum := 0.0
		for i := 1; i < len(s); i++ {
			sum += (s[i] - s[i-1]) * (s[i] - s[i-1])
		}
		return math.Sqrt(sum / float64(2*len(s)-2))
	}
	quiet, normal, loud := spread(drivesim.Quiet), spread(drivesim.Normal), spread(drivesim.Loud)
	if math.Abs(normal/quiet-4) > 0.4 || math.Abs(loud/normal-4) > 0.4 || math.Abs(normal-0.075) > 0.01 {
		t.Errorf("noise %.4f, %.4f, %.4f K", quiet, normal, loud)
	}
}

// A level or a bit triggers where the signal crosses it, before or after the trip.
func TestTriggers(t *testing.T) {
	for name, c := range map[string]struct {
		trigger drivesim.Trigger
		cause   drivesim.Cause
		early   bool
	}{
		"DC link falls":  {drivesim.Trigger{On: drivesim.OnLevel, Channel: capture.RoleDCLink, Level: 480, Falling: true}, drivesim.MainsDip, true},
		"speed falls":    {drivesim.Trigger{On: drivesim.OnLevel, Channel: capture.RoleSpeed, Level: 800, Falling: true}, drivesim.MainsDip, false},
		"current rises":  {drivesim.Trigger{On: drivesim.OnLevel, Channel: capture.RoleCurrent, Level: 40}, drivesim.Jam, true},
		"torque limit":   {drivesim.Trigger{On: drivesim.OnBit, Bit: 4}, drivesim.Jam, true},
		"enabled falls":  {drivesim.Trigger{On: drivesim.OnBit, Bit: 0, Falling: true}, drivesim.Jam, false},
		"the fault code": {drivesim.Trigger{On: drivesim.OnCode, Code: 0x3221}, drivesim.MainsDip, false},
	} {
		t.Run(name, func(t *testing.T) {
			d := drivesim.New(drivesim.Spec{Name: "x", Machine: drivesim.Elevator(), Noise: drivesim.Quiet, Seed: 5,
				Recorder: drivesim.Recorder{Trigger: c.trigger, Samples: 2000}}, start)
			d.Trip(start.Add(time.Second), c.cause)
			got := d.Truth(start.Add(time.Minute))[0]
			if got.Missing != "" || got.Ready.IsZero() || got.Tripped.IsZero() {
				t.Fatalf("missing %q, ready %v, tripped %v", got.Missing, got.Ready, got.Tripped)
			}
			if early := got.Triggered.Before(got.Tripped); early != c.early {
				t.Errorf("triggered %v after the trip", got.Triggered.Sub(got.Tripped))
			}
			if wait := got.Ready.Sub(got.Triggered); wait != time.Duration(2000-got.Index)*time.Millisecond {
				t.Errorf("ready %v after the trigger", wait)
			}
			if c.trigger.On != drivesim.OnLevel {
				return
			}
			ch := slices.Index(drivesim.Signals, c.trigger.Channel)
			before, at := got.Samples[ch][got.Index-3], got.Samples[ch][got.Index+2]
			if (before < c.trigger.Level) == (at < c.trigger.Level) {
				t.Errorf("from %.1f to %.1f across the trigger, level %v", before, at, c.trigger.Level)
			}
		})
	}
}
