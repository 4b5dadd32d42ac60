package main

import (
	"errors"
	"fmt"
	"io"
	"time"

	recorder "faultkeep/daemon/analysis/plan"
	"faultkeep/daemon/export"
	"faultkeep/sources/modbus"
	"faultkeep/sources/modbus/regmap"
)

type planCommand struct {
	configFlag
	Drive string `placeholder:"NAME" help:"A drive of the config: its map, poll interval, connections and reset_after are taken from there."`
	Map   string `placeholder:"FILE" help:"Instead of a drive: a map file, or builtin:NAME, for what a pull takes and which channels there are."`

	Samples     int             `group:"The recorder" placeholder:"N" help:"Its memory: samples of each channel, however many channels are recorded. Left out: what the map says."`
	Memory      int64           `group:"The recorder" placeholder:"N" help:"Or: samples in all, shared by the channels."`
	Bytes       int64           `group:"The recorder" placeholder:"N" help:"Or: bytes in all, shared by the channels."`
	SampleBytes int             `group:"The recorder" placeholder:"N" enum:"0,1,2,4,8" default:"0" help:"Bytes of one sample, where no map says it: 1, 2, 4 or 8. Left out: 2."`
	Adjustable  bool            `group:"The recorder" help:"The number of samples can be set. Left out: a recording always fills the memory."`
	Intervals   []time.Duration `group:"The recorder" placeholder:"TIME" help:"The sample intervals that it offers, such as 250us,1ms,2ms."`
	Base        time.Duration   `group:"The recorder" placeholder:"TIME" help:"Or: it offers the multiples of this."`
	ShareStep   float64         `group:"The recorder" placeholder:"PERCENT" default:"1" help:"Its pre-trigger share comes in steps of so much. Left out: 1."`

	Channels  int           `group:"What is wanted" placeholder:"N" help:"Channels to record. Left out: all of the map."`
	Before    time.Duration `group:"What is wanted" placeholder:"TIME" help:"To be seen before the trigger, such as 6s."`
	After     time.Duration `group:"What is wanted" placeholder:"TIME" help:"To be seen after it."`
	Frequency float64       `group:"What is wanted" placeholder:"HZ" help:"Highest frequency of interest."`
	JudgeBy   string        `group:"What is wanted" placeholder:"shape|spectrum" default:"shape" help:"shape: its course must be seen, 5 samples a period. spectrum: its amplitude is enough, 2.56. Left out: shape."`

	RoundTrip   time.Duration `group:"The race" placeholder:"TIME" help:"Of one request; check --probe measures it. Left out: pull and race aren't told."`
	Poll        time.Duration `group:"The race" placeholder:"TIME" help:"Between two looks at the drive. Left out: the config's, or 250ms."`
	Connections int           `group:"The race" placeholder:"N" help:"Connections that share a pull. Left out: the config's, the map's, or 1."`
	Registers   int           `group:"The race" placeholder:"N" help:"Registers a request, where no map says it. Left out: 125."`
	ResetAfter  time.Duration `group:"The race" placeholder:"TIME" help:"From the trip to the reset that erases the recording. Left out: the config's."`
	Commit      time.Duration `group:"The race" placeholder:"TIME" default:"10ms" help:"To disk. Left out: 10ms."`

	Picture string `placeholder:"FILE" help:"Also draw it, as SVG."`
	Force   bool   `help:"Replace the picture if it is there already."`
	JSON    bool   `name:"json" help:"Write one JSON object."`
}

// Help is shown by --help.
func (planCommand) Help() string {
	return `Chooses settings for a drive's recorder: sample interval, pre-trigger share and
number of samples, from what the recorder holds and what is to be seen; and tells
what follows from them: which frequencies can be judged, how long a pull takes,
and which reset that beats. Where not everything can be had together it says why,
and what could be had instead. It sends nothing and sets nothing.

    faultkeep plan --drive bucket-elevator --samples 8192 --before 6s --after 2s --frequency 50 --round-trip 5ms
    faultkeep plan --bytes 131072 --channels 8 --before 6s --after 2s --base 250us

Exit codes: 0 it can be had; 1 not all of it together; 2 the command line, the
config or the map is wrong.`
}

// planned is the answer for programs.
type planned struct {
	recorder.Answer
	Cautions []string `json:"cautions"`
}

// Run plans and tells.
func (c *planCommand) Run(out output) error {
	m, ask, err := c.ask()
	if err != nil {
		return err
	}
	answer, err := recorder.Make(ask)
	if err != nil {
		return c.wrong(err)
	}
	if c.Picture != "" {
		if err := c.draw(ask, answer); err != nil {
			return err
		}
	}
	if c.JSON {
		err = writeJSON(out.Out, planned{answer, cautions(answer)})
	} else {
		err = planWords{ask, answer, m}.write(out.Out)
	}
	if err == nil && answer.Plan == nil {
		err = errSaid
	}
	return err
}

// wrong names the flag of an input that can't be.
func (c *planCommand) wrong(err error) error {
	var input *recorder.InputError
	if !errors.As(err, &input) {
		return err
	}
	flag := input.Input
	if flag == "memory" && c.Bytes > 0 {
		flag = "bytes"
	}
	if flag == "memory" && c.Samples > 0 {
		flag = "samples"
	}
	return usageError{fmt.Errorf("--%s %s", flag, input.Text)}
}

// ask puts together what the flags, the map and the config say. m is nil where
// there is no map.
func (c *planCommand) ask() (m *regmap.Map, a recorder.Ask, err error) {
	if err = c.consistent(); err != nil {
		return nil, a, err
	}
	if m, err = c.source(); err != nil {
		return nil, a, err
	}
	a = recorder.Ask{Adjustable: c.Adjustable, Channels: c.Channels, Before: c.Before, After: c.After,
		Frequency: c.Frequency, Use: recorder.Use(c.JudgeBy), Intervals: c.Intervals, Base: c.Base, ShareStep: c.ShareStep}
	layout := m
	if m == nil {
		layout = c.bare()
	} else if a.Channels, a.Fewest, err = c.channels(m); err != nil {
		return nil, a, err
	}
	if a.Memory, err = c.memory(layout); err != nil {
		return nil, a, err
	}
	if err = readable(layout, a); err != nil {
		return nil, a, err
	}
	a.Race = c.race(layout)
	return m, a, nil
}

// consistent tells which flags can't be, or not together.
func (c *planCommand) consistent() error {
	for _, n := range []struct {
		flag  string
		value int64
	}{{"samples", int64(c.Samples)}, {"memory", c.Memory}, {"bytes", c.Bytes}, {"channels", int64(c.Channels)},
		{"connections", int64(c.Connections)}, {"registers", int64(c.Registers)}} {
		if n.value < 0 {
			return usageError{fmt.Errorf("--%s %d can't be; give a number above 0", n.flag, n.value)}
		}
	}
	switch {
	case c.Registers > 125:
		return usageError{fmt.Errorf("--registers %d can't be; a Modbus request reads at most 125", c.Registers)}
	case len(c.Intervals) > 0 && c.Base != 0:
		return usageError{errors.New("--base and --intervals both say which sample intervals there are; give one of them")}
	case c.Drive != "" && c.Map != "":
		return usageError{errors.New("--map and --drive both name a map; give one of them")}
	}
	return nil
}

// channels is how many of the map's channels are recorded, and the fewest that can be.
func (c *planCommand) channels(m *regmap.Map) (n, fewest int, err error) {
	all := len(m.Channels)
	n = or(c.Channels, all)
	switch {
	case n > all:
		err = usageError{fmt.Errorf("--channels %d is more than the %d of map %s", n, all, m.Name)}
	case m.Header.ChannelCount != nil:
		return n, 1, nil
	case n != all:
		err = usageError{fmt.Errorf("--channels %d can't be: by map %s a recording always has %d", n, m.Name, all)}
	}
	return n, all, err
}

// race is what decides whether a recording can be kept in time.
func (c *planCommand) race(m *regmap.Map) recorder.Race {
	r := recorder.Race{Requests: func(channels, samples int) int { return pullRequests(m, channels, samples) },
		RoundTrip: c.RoundTrip, Poll: or(c.Poll, modbus.DefaultPoll), Commit: c.Commit, Reset: c.ResetAfter, Connections: max(1, c.Connections)}
	if c.RoundTrip > 0 {
		r.RoundTrip = max(c.RoundTrip, m.Limits.Gap) // as it is measured, the gap is in it
	}
	r.Most = max(r.Connections, m.Limits.Connections)
	if m.Data.Layout == regmap.Window {
		r.Connections, r.Most = 1, 1 // all connections of a drive see the same page
	}
	return r
}

// source is the map of --drive or --map; nil where neither is given. What the
// config says and no flag does goes into the flags.
func (c *planCommand) source() (*regmap.Map, error) {
	var m *regmap.Map
	switch {
	case c.Drive != "":
		loaded, err := c.load()
		if err != nil {
			return nil, err
		}
		for _, d := range loaded.Drives {
			if d.Config.Name != c.Drive {
				continue
			}
			m = d.Map
			c.Poll, c.ResetAfter = or(c.Poll, time.Duration(d.Config.Poll)), or(c.ResetAfter, time.Duration(d.Config.ResetAfter))
			c.Connections = or(c.Connections, d.Connections())
		}
		if m == nil {
			return nil, usageError{fmt.Errorf("--drive %s is not in %s; faultkeep check lists its drives", c.Drive, loaded.Path)}
		}
	case c.Map != "":
		var err error
		if m, err = readMap(c.Map); err != nil {
			return nil, err
		}
		c.Connections = or(c.Connections, m.Limits.Connections)
	default:
		return nil, nil
	}
	if c.Registers > 0 || c.SampleBytes > 0 {
		return nil, usageError{fmt.Errorf("--registers and --sample-bytes say what map %s says already; leave them out", m.Name)}
	}
	return m, nil
}

// or is a, or b where a is zero.
func or[T comparable](a, b T) T {
	var zero T
	if a == zero {
		return b
	}
	return a
}

// readMap reads a map file, or one that faultkeep carries.
func readMap(name string) (*regmap.Map, error) {
	src, err := readCarried(name)
	if err != nil {
		return nil, usageError{fmt.Errorf("--map: %w", err)}
	}
	m, problems := regmap.Parse(name, src)
	if len(problems) > 0 {
		return nil, problems
	}
	return m, nil
}

// memory is what the recorder holds, by the one flag that says so, or by the map.
func (c *planCommand) memory(m *regmap.Map) (recorder.Memory, error) {
	given := 0
	for _, is := range []bool{c.Samples > 0, c.Memory > 0, c.Bytes > 0} {
		if is {
			given++
		}
	}
	widths := make([]int, len(m.Channels))
	for i, coding := range codings(m, len(m.Channels)) {
		widths[i] = 1
		if c.Bytes > 0 {
			widths[i] = or(c.SampleBytes, 2*coding.Type.Words())
		}
	}
	switch {
	case given > 1:
		return recorder.Memory{}, usageError{errors.New("--samples, --memory and --bytes all say how much the recorder holds; give one of them")}
	case c.Samples > 0:
		return recorder.Memory{PerChannel: c.Samples}, nil
	case c.Memory+c.Bytes > 0:
		return recorder.Memory{Size: c.Memory + c.Bytes, Widths: widths}, nil
	case m.Header.Fixed.Samples > 0:
		return recorder.Memory{PerChannel: m.Header.Fixed.Samples}, nil
	}
	return recorder.Memory{}, usageError{errors.New("--samples isn't given: say how many samples of each channel the recorder holds, or with --memory or --bytes how much in all")}
}

// draw writes the picture, whole or not at all.
func (c *planCommand) draw(ask recorder.Ask, answer recorder.Answer) error {
	err := export.Save(c.Picture, c.Force, func(w io.Writer) error {
		_, err := w.Write(planPicture(ask, answer))
		return err
	})
	if errors.Is(err, export.ErrExists) {
		return fmt.Errorf("%w; --force replaces it", err)
	}
	return err
}
