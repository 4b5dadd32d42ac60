package web

import (
	"context"
	"encoding/json"
	"math"
	"net/http"
	"net/url"

	"faultkeep/daemon/envelope"
	"faultkeep/daemon/report"
	"faultkeep/store/capture"
)

// mostGaps is how many a channel tells of. Beyond them gaps are only breaks in
// the curve, which are drawn in any case.
const mostGaps = 1000

// waveMeta is what the script has to know of a capture before it asks for samples.
type waveMeta struct {
	Self     string        `json:"self"`
	From     float64       `json:"from"` // of the whole record, seconds from the trigger
	To       float64       `json:"to"`
	Step     float64       `json:"step"` // shortest sample interval, seconds
	Samples  int           `json:"samples"`
	Channels []waveChannel `json:"channels"`
	Lanes    [][]int       `json:"lanes"`            // channels of each, top to bottom
	Beside   *waveBeside   `json:"beside,omitempty"` // the trace of the same trip
}

type waveChannel struct {
	Name    string       `json:"name"`
	Unit    string       `json:"unit,omitempty"`
	Role    string       `json:"role"`
	Digital bool         `json:"digital,omitempty"`
	Bits    []waveBit    `json:"bits,omitempty"`
	Gaps    [][2]float64 `json:"gaps,omitempty"` // stretches that weren't read, seconds from the trigger
}

type waveBit struct {
	Bit  int    `json:"bit"`
	Name string `json:"name"`
}

type waveBeside struct {
	Self   string  `json:"self"`
	Text   string  `json:"text"`
	Offset float64 `json:"offset"` // seconds from this capture's trigger to the other's
}

func (s *server) waveMeta(w http.ResponseWriter, r *http.Request) error {
	wave, err := s.waveform(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	c, clock := wave.Capture, wave.pyramid.Clock
	meta := waveMeta{Self: "/capture/" + url.PathEscape(string(c.ID)), Step: c.Timing.Interval, Samples: clock.Samples(), Channels: []waveChannel{}, Lanes: [][]int{}}
	meta.From, meta.To = clock.Span()
	for i, ch := range c.Channels[:min(len(c.Channels), len(wave.series))] {
		one := waveChannel{Name: ch.Name, Unit: ch.Unit, Role: report.RoleOf(ch), Digital: ch.Digital()}
		gaps := report.Missing(c, i, wave.series[i])
		for _, g := range gaps[:min(len(gaps), mostGaps)] {
			one.Gaps = append(one.Gaps, [2]float64{clock.At(g[0]), clock.At(g[1])})
		}
		meta.Channels = append(meta.Channels, one)
	}
	for _, strip := range report.Layout(c, wave.series) {
		first := strip.Channels[0]
		if first == 0 && envelope.OwnTimes(c) {
			continue // the time, which is the axis
		}
		for _, bit := range strip.Bits {
			meta.Channels[first].Bits = append(meta.Channels[first].Bits, waveBit{bit, report.BitName(c.Channels[first], bit)})
		}
		meta.Lanes = append(meta.Lanes, strip.Channels)
	}
	if meta.Beside, err = s.traceBeneath(r.Context(), c); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-cache")
	return ignore(json.NewEncoder(w).Encode(meta))
}

// traceBeneath is the trace of a recording's trip, to be drawn beneath it on the same clock.
func (s *server) traceBeneath(ctx context.Context, c capture.Capture) (*waveBeside, error) {
	there := s.beside(ctx, c)
	if c.Origin == capture.Trace || there.Href == "" {
		return nil, nil
	}
	other, err := s.exactly(ctx, string(c.ID.TraceID()))
	if err != nil {
		return nil, err
	}
	return &waveBeside{there.Href, there.Text, other.Trigger.Time.Sub(c.Trigger.Time).Seconds()}, nil
}

// finite is a number as JSON has it: null where it is none.
type finite float64

func (f finite) MarshalJSON() ([]byte, error) {
	if x := float64(f); !math.IsNaN(x) && !math.IsInf(x, 0) {
		return json.Marshal(x)
	}
	return []byte("null"), nil
}
