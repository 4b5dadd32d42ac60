package modbus

import (
	"context"
	"time"

	"faultkeep/store/capture"
)

// Probed is what a drive shows to one look, and what that means for its race.
type Probed struct {
	Name     string                `json:"name"`
	Title    string                `json:"title,omitempty"`
	Address  string                `json:"address"`
	State    capture.RecorderState `json:"state"`
	Tripped  bool                  `json:"tripped"`
	Fault    capture.Fault         `json:"fault"`
	Count    int64                 `json:"fault_count"` // −1: the map names no counter
	Settings []capture.Setting     `json:"settings,omitempty"`
	Live     []Shown               `json:"live,omitempty"`
	Header   *Recorded             `json:"recording,omitempty"` // as the header describes it; nil: it doesn't yet
	Note     string                `json:"note,omitempty"`      // why there is no Header

	Requests  int           `json:"requests"`      // of one pull; 0: not known before the header makes sense
	RoundTrip time.Duration `json:"round_trip_ns"` // measured
	Pull      time.Duration `json:"pull_ns"`       // how long a pull will take; 0: not known
	Beats     time.Duration `json:"beats_ns"`      // a reset that comes later than this after "ready" loses nothing; 0: not known
	Race      Race          `json:"-"`
}

// Shown is one value in words.
type Shown struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

// Recorded describes a recording without its data.
type Recorded struct {
	Channels []capture.Channel `json:"channels"`
	Timing   capture.Timing    `json:"timing"`
	Trigger  int               `json:"trigger_index"`
	Bytes    int64             `json:"bytes"`
}

// probes is how many polls measure the round trip.
const probes = 20

// Probe looks at the drive once, by reading only.
func (d *Drive) Probe(ctx context.Context) (Probed, error) {
	p := Probed{Name: d.Config.Name, Title: d.Title(), Address: d.object(), Count: -1}
	poll := newPoller(d.line, d.Map)
	s, err := poll.poll(ctx, true)
	if err != nil {
		return p, err
	}
	p.State, p.Tripped, p.Count = s.State, s.Tripped, s.Count
	if s.Tripped || s.Code != 0 {
		p.Fault = d.fault(s.Code)
	}
	if p.Settings, err = d.readSettings(ctx); err != nil {
		return p, err
	}
	live, err := newReading(d.line, d.Map, d.Map.LiveValues()).get(ctx)
	if err != nil {
		return p, err
	}
	for _, v := range d.Map.LiveValues() {
		if r, ok := live.Get(v); ok {
			p.Live = append(p.Live, Shown{v.Name, r.Text})
		}
	}
	race := Race{Poll: d.poll(), ResetAfter: time.Duration(d.Config.ResetAfter), Connections: d.workers()}
	header := newReading(d.line, d.Map, d.Map.HeaderValues())
	image, err := header.get(ctx)
	if err != nil {
		return p, err
	}
	if rec, err := d.Map.Recording(image); err != nil {
		p.Note = err.Error()
	} else {
		p.Header = &Recorded{Channels: rec.Channels, Timing: rec.Timing, Trigger: rec.Trigger, Bytes: rec.Encoding.Size()}
		race.After = after(rec.Timing, rec.Trigger)
		race.Requests = requests(d.Map, header.requests()+poll.status.requests(), poll.both.requests(),
			d.Map.Tiles(rec.Encoding, rec.Trigger))
	}
	for range probes {
		if _, err := poll.poll(ctx, false); err != nil {
			return p, err
		}
	}
	race.RoundTrip = d.line.roundTrip()
	p.Requests, p.RoundTrip, p.Pull, p.Beats, p.Race = race.Requests, race.RoundTrip, race.Pull(), race.Need(), race
	return p, nil
}
