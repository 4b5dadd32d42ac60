package main

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"faultkeep/daemon/config"
	"faultkeep/sources/modbus"
	"faultkeep/store/capture"
)

// probed is what one look at a drive gave.
type probed struct {
	modbus.Probed
	OK         bool          `json:"ok"`
	Error      string        `json:"error,omitempty"`          // why it can't be read
	ResetAfter time.Duration `json:"reset_after_ns,omitempty"` // from the trip to the reset, by the config
	Stands     time.Duration `json:"stands_ns,omitempty"`      // from ready to that reset
	Thousand   time.Duration `json:"pull_per_1000_registers_ns,omitempty"`
}

// probeWithin bounds the look at one drive.
const probeWithin = 30 * time.Second

// probe looks at all drives at once, so that a dead one holds up nobody else;
// those that share an address share its connections, as when faultkeep runs.
func probe(ctx context.Context, loaded *config.Loaded) []probed {
	var options []modbus.Options
	for _, d := range loaded.Drives {
		options = append(options, modbus.Options{Config: d.Config, Site: loaded.Config.Site, Map: d.Map, Faults: d.Faults})
	}
	plant := modbus.Connect(options)
	defer plant.Close()
	out := make([]probed, len(plant.Drives))
	var all sync.WaitGroup
	for i, d := range plant.Drives {
		all.Go(func() {
			ctx, stop := context.WithTimeout(ctx, probeWithin)
			defer stop()
			p, err := d.Probe(ctx)
			out[i] = judged(p, err, d)
		})
	}
	all.Wait()
	return out
}

func judged(p modbus.Probed, err error, d *modbus.Drive) probed {
	resetAfter := time.Duration(d.Config.ResetAfter)
	out := probed{Probed: p, OK: err == nil, ResetAfter: resetAfter}
	if err != nil {
		out.Error = err.Error()
		return out
	}
	for _, s := range p.Settings {
		out.OK = out.OK && s.OK
	}
	if n := d.Map.Limits.Registers; n > 0 {
		out.Thousand = time.Duration((1000+n-1)/n) * p.RoundTrip / time.Duration(max(1, p.Race.Connections))
	}
	if h := p.Header; h != nil && resetAfter > 0 {
		after := float64(h.Timing.Samples-h.Trigger) * h.Timing.Interval // from the trigger until the last sample
		out.Stands = max(0, resetAfter-time.Duration(after*float64(time.Second)))
	}
	return out
}

// words is a paragraph about one drive.
func (p probed) words() string {
	var b strings.Builder
	line := func(text string, args ...any) { fmt.Fprintf(&b, text+"\n", args...) }
	name := p.Name
	if p.Title != "" && p.Title != p.Name {
		name += " (" + p.Title + ")"
	}
	line("%s at %s", name, p.Address)
	if p.Error != "" {
		line("  ⚑ can't be read: %s", p.Error)
		return b.String()
	}
	fault := "no fault"
	switch {
	case p.Tripped:
		fault = "tripped: " + p.Fault.String()
	case p.Fault.Code != 0:
		fault = "no fault now, last was " + p.Fault.String()
	}
	if p.Count >= 0 {
		fault += fmt.Sprintf("; it has counted %d", p.Count)
	}
	line("  recorder   %s", p.State)
	line("  fault      %s", fault)
	for i, s := range p.Settings {
		line("  %-9s  %s", first(i, "settings"), setting(s))
	}
	for i, v := range p.Live {
		line("  %-9s  %s %s", first(i, "live"), v.Name, v.Text)
	}
	line("  recording  %s", p.recording())
	line("  pull       %s", p.pull())
	for i, text := range p.race() {
		line("  %-9s  %s", first(i, "race"), text)
	}
	return b.String()
}

// first shows a heading on the first line of a list only.
func first(i int, heading string) string {
	if i > 0 {
		return ""
	}
	return heading
}

func setting(s capture.Setting) string {
	switch {
	case s.Wanted == "":
		return s.Name + " " + s.Value
	case s.OK:
		return fmt.Sprintf("%s %s, as wanted", s.Name, s.Value)
	}
	return fmt.Sprintf("⚑ %s %s, wanted %s", s.Name, s.Value, s.Wanted)
}

func (p probed) recording() string {
	h := p.Header
	if h == nil {
		return "not described: " + p.Note
	}
	return fmt.Sprintf("%d channels of %d samples, %s apart, %d before the trigger; %d bytes", len(h.Channels), h.Timing.Samples,
		span(time.Duration(h.Timing.Interval*float64(time.Second))), h.Trigger, h.Bytes)
}

// pull says how long it takes to read a recording.
func (p probed) pull() string {
	if p.Pull == 0 {
		return fmt.Sprintf("a round trip takes %s, so about %s for each 1,000 registers", span(p.RoundTrip), span(p.Thousand))
	}
	s := fmt.Sprintf("%d round trips of %s", p.Requests, span(p.RoundTrip))
	if n := p.Race.Connections; n > 1 {
		s += fmt.Sprintf(" over %d connections", n)
	}
	return s + ": " + span(p.Pull)
}

// race says which reset a pull beats, and whether it beats this plant's.
func (p probed) race() []string {
	if p.Pull == 0 {
		return []string{"can be told once the drive describes a recording"}
	}
	lines := []string{fmt.Sprintf("a reset later than %s after the recording is ready loses nothing", span(p.Beats))}
	switch {
	case p.ResetAfter == 0:
	case p.Stands > p.Beats:
		lines = append(lines, fmt.Sprintf("reset_after %s is %s after it is ready: %s to spare", span(p.ResetAfter), span(p.Stands), span(p.Stands-p.Beats)))
	case p.Stands == 0:
		lines = append(lines, fmt.Sprintf("⚑ reset_after %s is before it is ready: hold the reset back, or record less time after the trigger", span(p.ResetAfter)))
	default:
		lines = append(lines, fmt.Sprintf("⚑ reset_after %s is %s after it is ready, %s too soon: hold the reset back, poll faster, or allow more connections",
			span(p.ResetAfter), span(p.Stands), span(p.Beats-p.Stands)))
	}
	return lines
}
