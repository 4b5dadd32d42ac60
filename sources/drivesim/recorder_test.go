package drivesim_test

import (
	"testing"
	"time"

	"faultkeep/sources/drivesim"
	"faultkeep/store/capture"
)

const (
	ms  = time.Millisecond
	sec = time.Second
)

// quick is a recorder that takes 750 ms before and 250 ms after the trigger.
func quick(change func(*drivesim.Spec)) drivesim.Spec {
	s := drivesim.Spec{Name: "x", Pattern: true, Recorder: drivesim.Recorder{Samples: 100, Interval: 10 * ms}}
	if change != nil {
		change(&s)
	}
	return s
}

type act func(d *drivesim.Drive, now time.Time)

func trip(c drivesim.Cause) act {
	return func(d *drivesim.Drive, now time.Time) { d.Trip(now, c) }
}
func reset(d *drivesim.Drive, now time.Time)   { d.Reset(now) }
func arm(d *drivesim.Drive, now time.Time)     { d.Write(now, drivesim.Holding, 90, []uint16{0xA5A5}) }
func disarm(d *drivesim.Drive, now time.Time)  { d.Disarm(now) }
func cut(d *drivesim.Drive, now time.Time)     { d.CutPower(now, 2*sec) }
func replace(d *drivesim.Drive, now time.Time) { d.Replace(now) }
func nothing(*drivesim.Drive, time.Time)       {}

// want is an incident's fate, times after the start; never: it didn't happen.
type want struct {
	missing  drivesim.Missing
	ready    time.Duration
	erased   time.Duration
	erasedBy drivesim.ErasedBy
}

const never = -1

// The recorder is as volatile as the house rules say: one recording at a time,
// erased by the next one, a power cut or a fault reset.
func TestRecorder(t *testing.T) {
	type step struct {
		at    time.Duration
		do    act
		state capture.RecorderState // afterwards
	}
	jam := trip(drivesim.Jam)
	for name, c := range map[string]struct {
		change func(*drivesim.Spec)
		steps  []step
		want   []want
	}{
		"ready, then reset": {nil, []step{
			{0, nothing, capture.Armed}, {sec, jam, capture.Recording}, {1249 * ms, nothing, capture.Recording},
			{1250 * ms, nothing, capture.Ready}, {3 * sec, reset, capture.Idle}},
			[]want{{"", 1250 * ms, 3 * sec, drivesim.ByReset}}},
		"still there": {nil, []step{{sec, jam, capture.Recording}, {9 * sec, nothing, capture.Ready}},
			[]want{{"", 1250 * ms, never, ""}}},
		"processing takes time": {func(s *drivesim.Spec) { s.Recorder.Process = 100 * ms },
			[]step{{sec, jam, capture.Recording}, {1349 * ms, nothing, capture.Recording}, {1350 * ms, nothing, capture.Ready}},
			[]want{{"", 1350 * ms, never, ""}}},
		"reset before ready": {nil, []step{{sec, jam, capture.Recording}, {1200 * ms, reset, capture.Idle}, {2 * sec, nothing, capture.Idle}},
			[]want{{"", never, 1200 * ms, drivesim.ByReset}}},
		"not armed": {nil, []step{{sec, disarm, capture.Idle}, {2 * sec, jam, capture.Idle}},
			[]want{{drivesim.NotArmed, never, never, ""}}},
		"not armed again after a reset": {nil, []step{{sec, jam, capture.Recording}, {2 * sec, reset, capture.Idle}, {3 * sec, jam, capture.Idle}},
			[]want{{"", 1250 * ms, 2 * sec, drivesim.ByReset}, {drivesim.NotArmed, never, never, ""}}},
		"arms itself": {func(s *drivesim.Spec) { s.Recorder.SelfArm = true },
			[]step{{sec, jam, capture.Recording}, {2 * sec, reset, capture.Armed}, {3 * sec, jam, capture.Recording}},
			[]want{{"", 1250 * ms, 2 * sec, drivesim.ByReset}, {"", never, never, ""}}},
		"arming erases": {nil, []step{{sec, jam, capture.Recording}, {2 * sec, arm, capture.Armed}, {3 * sec, reset, capture.Armed}, {4 * sec, jam, capture.Recording}},
			[]want{{"", 1250 * ms, 2 * sec, drivesim.ByArming}, {"", never, never, ""}}},
		"arming takes time": {func(s *drivesim.Spec) { s.Recorder.ArmTakes = 500 * ms },
			[]step{{sec, jam, capture.Recording}, {2 * sec, arm, capture.Idle}, {2499 * ms, nothing, capture.Idle}, {2500 * ms, nothing, capture.Armed}},
			[]want{{"", 1250 * ms, 2 * sec, drivesim.ByArming}}},
		"arming while recording is refused": {nil, []step{{sec, jam, capture.Recording}, {1100 * ms, arm, capture.Recording}, {1250 * ms, nothing, capture.Ready}},
			[]want{{"", 1250 * ms, never, ""}}},
		"power cut": {nil, []step{{sec, jam, capture.Recording}, {2 * sec, cut, capture.Idle}, {5 * sec, nothing, capture.Idle}},
			[]want{{"", 1250 * ms, 2 * sec, drivesim.ByPowerCut}}},
		"power cut while recording": {func(s *drivesim.Spec) { s.Recorder.SelfArm = true },
			[]step{{sec, jam, capture.Recording}, {1100 * ms, cut, capture.Idle}, {3200 * ms, nothing, capture.Armed}},
			[]want{{"", never, 1100 * ms, drivesim.ByPowerCut}}},
		"keeps over a reset, but not a second one": {func(s *drivesim.Spec) { s.Recorder.KeepsOverReset = true },
			[]step{{sec, jam, capture.Recording}, {2 * sec, reset, capture.Ready}, {3 * sec, jam, capture.Ready}},
			[]want{{"", 1250 * ms, never, ""}, {drivesim.Occupied, never, never, ""}}},
		"overwrites": {func(s *drivesim.Spec) { s.Recorder.KeepsOverReset, s.Recorder.Overwrite = true, true },
			[]step{{sec, jam, capture.Recording}, {2 * sec, reset, capture.Ready}, {3 * sec, jam, capture.Recording}, {4 * sec, nothing, capture.Ready}},
			[]want{{"", 1250 * ms, 3 * sec, drivesim.ByNext}, {"", 3250 * ms, never, ""}}},
		"replaced": {nil, []step{{sec, jam, capture.Recording}, {2 * sec, replace, capture.Ready}},
			[]want{{"", 1250 * ms, 2 * sec, drivesim.ByNext}, {"", 2 * sec, never, ""}}},
		"another fault code": {func(s *drivesim.Spec) {
			s.Recorder.Trigger = drivesim.Trigger{On: drivesim.OnCode, Code: 0x8611}
		}, []step{{sec, jam, capture.Armed}, {2 * sec, reset, capture.Armed}, {3 * sec, trip(drivesim.Oscillation), capture.Recording}},
			[]want{{drivesim.NoTrigger, never, never, ""}, {"", never, never, ""}}},
	} {
		t.Run(name, func(t *testing.T) {
			d := drivesim.New(quick(c.change), start)
			for _, s := range c.steps {
				s.do(d, start.Add(s.at))
				if got := d.State(start.Add(s.at)); got != s.state {
					t.Errorf("at %v the recorder is %s, want %s", s.at, got, s.state)
				}
			}
			got := d.Incidents(start.Add(c.steps[len(c.steps)-1].at))
			if len(got) != len(c.want) {
				t.Fatalf("%d incidents, want %d: %+v", len(got), len(c.want), got)
			}
			for i, w := range c.want {
				g := got[i]
				if g.Missing != w.missing || !is(g.Ready, w.ready) || !is(g.Erased, w.erased) || g.ErasedBy != w.erasedBy {
					t.Errorf("incident %d: %q, ready %v, erased %v by %q", i+1, g.Missing, g.Ready.Sub(start), g.Erased.Sub(start), g.ErasedBy)
				}
				if (g.Counter == 0) != (g.Missing != "") {
					t.Errorf("incident %d: counter %d, missing %q", i+1, g.Counter, g.Missing)
				}
			}
		})
	}
}

func is(at time.Time, want time.Duration) bool {
	if want == never {
		return at.IsZero()
	}
	return at.Equal(start.Add(want))
}

// What the plant does to the drive by itself falls where the plan says.
func TestPlan(t *testing.T) {
	d := drivesim.New(quick(func(s *drivesim.Spec) {
		s.Recorder.SelfArm = true
		s.Plan = drivesim.Plan{At: []time.Duration{sec, 2 * sec, 10 * sec}, ResetMin: 3 * sec, ResetMax: 3 * sec}
	}), start)
	if next := d.Next(start); !is(next, sec) {
		t.Errorf("next at %v", next.Sub(start))
	}
	got := d.Incidents(start.Add(20 * sec))
	if len(got) != 2 || !is(got[0].Tripped, sec) || !is(got[0].Reset, 4*sec) || !is(got[1].Tripped, 10*sec) || !is(got[1].Erased, 13*sec) {
		t.Errorf("incidents %+v", got)
	}
	if next := d.Next(start.Add(20 * sec)); !next.IsZero() {
		t.Errorf("something still comes at %v", next.Sub(start))
	}
}

// The same seed is the same plant, however often one looks.
func TestDeterminism(t *testing.T) {
	spec := func(seed uint64) drivesim.Spec {
		return quick(func(s *drivesim.Spec) {
			s.Seed, s.Pattern = seed, false
			s.Plan = drivesim.Plan{Mean: 4 * sec, Least: sec, ResetMin: 100 * ms, ResetMax: 3 * sec, CutChance: 0.3}
			s.Recorder.SelfArm = true
		})
	}
	once := drivesim.New(spec(7), start).Incidents(start.Add(time.Minute))
	often := drivesim.New(spec(7), start)
	for at := time.Duration(0); at < time.Minute; at += 97 * ms {
		often.Read(start.Add(at), drivesim.Holding, 0, 60)
	}
	again := often.Incidents(start.Add(time.Minute))
	other := drivesim.New(spec(8), start).Incidents(start.Add(time.Minute))
	if len(once) < 4 || len(once) != len(again) {
		t.Fatalf("%d and %d incidents", len(once), len(again))
	}
	cuts, same := 0, 0
	for i := range once {
		a, b := once[i], again[i]
		if !a.Tripped.Equal(b.Tripped) || !a.Ready.Equal(b.Ready) || !a.Erased.Equal(b.Erased) || string(a.Data) != string(b.Data) || a.FaultCode != b.FaultCode {
			t.Errorf("incident %d differs: %v %v", i+1, a.Tripped, b.Tripped)
		}
		if a.ByPower {
			cuts++
		}
		if i < len(other) && a.Tripped.Equal(other[i].Tripped) {
			same++
		}
	}
	if cuts == 0 || cuts == len(once) || same > 0 {
		t.Errorf("%d of %d incidents ended by a power cut, %d fell together with those of another seed", cuts, len(once), same)
	}
}

// Two recordings of pattern drives agree in next to nothing, so that a capture
// mixed of both can't pass for either.
func TestPatternsDiffer(t *testing.T) {
	d := drivesim.New(quick(nil), start)
	d.Replace(start.Add(sec))
	d.Replace(start.Add(2 * sec))
	got := d.Truth(start.Add(3 * sec))
	same := 0
	for i := 0; i+1 < len(got[0].Data); i += 2 {
		if string(got[0].Data[i:i+2]) == string(got[1].Data[i:i+2]) {
			same++
		}
	}
	if n := len(got[0].Data) / 2; n != 800 || same > 3 {
		t.Errorf("%d of %d registers agree", same, n)
	}
}

// A drive without power says nothing, and its connections die.
func TestPower(t *testing.T) {
	d := drivesim.New(quick(func(s *drivesim.Spec) { s.Recorder.VolatileCounter = true }), start)
	d.Replace(start)
	d.CutPower(start.Add(sec), sec)
	if _, exception := d.Read(start.Add(1500*ms), drivesim.Holding, 0, 1); exception != drivesim.NoAnswer {
		t.Errorf("exception %02X without power", exception)
	}
	if on, cuts := d.Powered(start.Add(1999 * ms)); on || cuts != 1 {
		t.Errorf("powered %v after %d cuts", on, cuts)
	}
	if on, _ := d.Powered(start.Add(2 * sec)); !on {
		t.Error("power didn't return")
	}
	if regs, _ := d.Read(start.Add(3*sec), drivesim.Holding, 20, 2); string(regs) != "\x00\x00\x00\x00" {
		t.Errorf("a volatile counter shows % X after a power cut", regs)
	}
}
