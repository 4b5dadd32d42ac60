package drivesim

import (
	"math"
	"math/rand/v2"
	"sort"
	"time"

	"faultkeep/store/capture"
)

// span is what a signal's deviations are measured by: about its rated value.
func (m *Machine) span(role capture.Role) float64 {
	switch role {
	case capture.RoleSetpoint, capture.RoleSpeed:
		return m.Speed
	case capture.RoleCurrent:
		return m.Rated
	case capture.RoleTorque:
		return m.TorqueLimit
	case capture.RoleDCLink:
		return m.Link()
	case capture.RolePositionError:
		return 8 * m.Protection.FollowingRoom
	case capture.RoleTemperature:
		return 50
	}
	return 1
}

// spread is the noise of a measured signal, as a standard deviation.
func (m *Machine) spread(role capture.Role, n Noise) float64 {
	share := map[capture.Role]float64{capture.RoleSpeed: 0.0008, capture.RoleCurrent: 0.006,
		capture.RoleTorque: 0.006, capture.RoleDCLink: 0.0012, capture.RolePositionError: 0.0012,
		capture.RoleTemperature: 0.0015}
	return n.factor() * share[role] * m.span(role)
}

// record cuts the recorder's window out of the rows and adds the measuring noise.
func (c *course) record(channels []capture.Role) [][]float64 {
	t := c.trial
	out := make([][]float64, len(channels))
	for ch, role := range channels {
		k := slot(role)
		sigma := t.m.spread(role, t.noise)
		rng := rand.New(rand.NewPCG(t.seed, 100+uint64(k)))
		out[ch] = make([]float64, t.before+t.after)
		for i := range out[ch] {
			v := c.rows[c.hit-t.before+i][k]
			if sigma > 0 {
				v += sigma * rng.NormFloat64()
			}
			out[ch][i] = v
		}
	}
	return out
}

// mover is a signal and how long after the onset it left its course.
type mover struct {
	role  capture.Role
	after float64 // s from row 0
}

// movers compares the run with one in which nothing went wrong: a signal has
// moved when it is further from it than noise and 2 % of its span explain.
// Those that move with the same sample come in the order of Signals.
func (c *course) movers() []mover {
	t := c.trial
	if c.trip < 0 {
		return nil
	}
	upset, calm := t.run(true, c.trip+1), t.run(false, c.trip+1)
	var out []mover
	for k, role := range Signals {
		if role == capture.RoleSetpoint || role == capture.RoleDigital {
			continue
		}
		room := max(0.02*t.m.span(role), 4*t.m.spread(role, t.noise))
		for i := range c.trip {
			if math.Abs(upset.rows[i][k]-calm.rows[i][k]) > room {
				out = append(out, mover{role, float64(i) * t.interval})
				break
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].after < out[j].after })
	return out
}

// unfold works out what a cause leads to: the times of trip and trigger by a
// common clock, and whether there is a trigger at all.
func (d *Drive) unfold(in *incident) (trip, trigger time.Duration, happens, triggered bool) {
	t := d.spec.Recorder.Trigger
	if d.spec.Pattern {
		in.FaultCode = usual[in.Cause]
		return 0, 0, true, t.On != OnCode || t.Code == in.FaultCode
	}
	c := d.trial(in, t).run(true, 0)
	if c.trip < 0 {
		return 0, 0, false, false
	}
	in.course, in.FaultCode = c, c.code
	step := d.spec.Recorder.Interval
	return time.Duration(c.trip) * step, time.Duration(c.hit) * step, true, c.hit >= 0
}

// steady prepares an incident in which nothing goes wrong.
func (d *Drive) steady(in *incident) {
	if !d.spec.Pattern {
		in.course = d.trial(in, Trigger{}).run(false, 0)
	}
}

func (d *Drive) trial(in *incident, trigger Trigger) trial {
	r := d.spec.Recorder
	return trial{m: d.spec.Machine, cause: in.Cause, seed: mix(d.spec.Seed, uint64(in.Number), 0), noise: d.spec.Noise,
		interval: r.Interval.Seconds(), before: r.before(), after: r.Samples - r.before(), trigger: trigger}
}

// samplesOf are the samples of an incident's recording, by channel.
func (d *Drive) samplesOf(in *incident) [][]float64 {
	c := in.course
	if c == nil {
		return d.pattern(in)
	}
	if c.rows == nil {
		c.rows = c.trial.run(true, c.hit+c.trial.after).rows
	}
	samples := c.record(in.made.Channels)
	c.rows = nil // many times the size of the recording; the trial can make them again
	return samples
}

// know works out, once, what nobody needed until now.
func (d *Drive) know(in *incident) {
	if !in.Ready.IsZero() && in.Samples == nil {
		in.Samples = d.samplesOf(in)
	}
	c := in.course
	if c == nil || in.Tripped.IsZero() || !in.Onset.IsZero() {
		return
	}
	at := func(s float64) time.Time {
		return in.Tripped.Add(time.Duration((s - float64(c.trip)*c.trial.interval) * float64(time.Second)))
	}
	in.Onset = at(c.onset)
	for _, m := range c.movers() {
		in.Movers = append(in.Movers, Mover{m.role, at(m.after)})
	}
	if len(in.Movers) > 0 {
		in.FirstMover = in.Movers[0].Role
	}
}
