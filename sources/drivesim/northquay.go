package drivesim

import (
	"fmt"
	"time"
)

// Northquay is the line of the invented grain terminal: a bucket elevator, two
// belt conveyors, a loader slew and an aeration fan. Belt 3 and the fan share a
// gateway. Each trips every half minute or so, so that something happens every
// few seconds; a PLC resets after some seconds, mostly but not always late
// enough, and now and then power goes.
func Northquay(seed uint64) []Spec {
	plan := func(mean, least, resetMin, resetMax time.Duration, cut float64) Plan {
		return Plan{Mean: mean, Least: least, ResetMin: resetMin, ResetMax: resetMax,
			CutChance: cut, CutFor: 4 * time.Second}
	}
	specs := []Spec{{
		Name: "bucket-elevator", Title: "Bucket elevator", Machine: Elevator(), Face: Block,
		Latency:  2 * time.Millisecond,
		Recorder: Recorder{Samples: 1024, Interval: 2 * time.Millisecond},
		Plan:     plan(14*time.Second, 5*time.Second, 2*time.Second, 6*time.Second, 0.1),
	}, {
		Name: "belt-3", Title: "Belt conveyor 3", Machine: Belt(), Face: Block, Gateway: "gallery", Unit: 1,
		Latency:  2 * time.Millisecond,
		Recorder: Recorder{Samples: 1024, PreTrigger: 0.8},
		Plan:     plan(18*time.Second, 6*time.Second, 300*time.Millisecond, 4*time.Second, 0.08),
	}, {
		Name: "belt-4", Title: "Belt conveyor 4", Machine: Belt(), Face: Window,
		Latency:  time.Millisecond,
		Recorder: Recorder{Samples: 1024, PreTrigger: 0.7, Settle: 4 * time.Millisecond, SelfArm: true},
		Plan:     plan(18*time.Second, 6*time.Second, 500*time.Millisecond, 5*time.Second, 0.08),
	}, {
		Name: "loader-slew", Title: "Loader slew", Machine: Slew(), Face: Files,
		Latency:  3 * time.Millisecond,
		Recorder: Recorder{Samples: 4096, PreTrigger: 0.8},
		Plan:     plan(20*time.Second, 8*time.Second, time.Second, 6*time.Second, 0.1),
	}, {
		Name: "aeration-fan", Title: "Aeration fan", Machine: Fan(), Face: Block, Gateway: "gallery", Unit: 2,
		Latency:  2 * time.Millisecond,
		Recorder: Recorder{Samples: 1024, Interval: 4 * time.Millisecond, PreTrigger: 0.6, SelfArm: true},
		Plan:     plan(22*time.Second, 8*time.Second, 2*time.Second, 6*time.Second, 0.05),
	}}
	for i := range specs {
		specs[i].Seed = mix(seed, uint64(i), 0x4e51)
	}
	return specs
}

// Endpoint is one address of a plant: a drive of its own, or a gateway.
type Endpoint struct {
	Name      string
	Units     map[uint8]*Drive
	Behaviour Behaviour
}

// Endpoints makes the drives and puts those with the same Gateway together. It
// panics if two of them have the same unit.
func Endpoints(specs []Spec, start time.Time) []Endpoint {
	var out []Endpoint
	at := map[string]int{}
	for _, spec := range specs {
		spec = spec.complete()
		name := spec.Gateway
		if name == "" {
			name = spec.Name
		}
		i, ok := at[name]
		if !ok {
			i = len(out)
			at[name] = i
			out = append(out, Endpoint{Name: name, Units: map[uint8]*Drive{},
				Behaviour: Behaviour{Latency: spec.Latency, Jitter: spec.Latency / 4}})
		}
		if out[i].Units[spec.Unit] != nil {
			panic(fmt.Sprintf("two drives are unit %d of %s", spec.Unit, name))
		}
		out[i].Units[spec.Unit] = New(spec, start)
	}
	return out
}
