// Package plan chooses settings for a drive's recorder: pure functions from
// what the recorder can hold, what somebody wants to see, and how fast the
// drive answers, to a sample interval, a pre-trigger share, and the race that
// follows from them. Where not everything can be had together it says so, and
// what could be had instead.
package plan

import (
	"fmt"
	"math"
	"time"
)

// Use is what a recording is to be judged by.
type Use string

// The uses, and how many samples each takes for one period of the highest
// frequency: common practice, no source. The sampling theorem's own limit is 2
// (Shannon 1949), which shows neither shape nor amplitude.
const (
	Shape    Use = "shape"    // the course of the signal, by eye: 5 samples a period
	Spectrum Use = "spectrum" // its frequencies and their amplitudes: 2.56
)

const (
	shapeSamples    = 5
	spectrumSamples = 2.56
)

func (u Use) samples() float64 {
	if u == Spectrum {
		return spectrumSamples
	}
	return shapeSamples
}

// Memory is what a recorder holds. Either PerChannel is set, or Size with Widths.
type Memory struct {
	PerChannel int   // samples of each channel, however many are recorded
	Size       int64 // shared by the channels, in the unit of Widths: bytes, or samples
	Widths     []int // of one sample of each channel, in the order in which they are recorded
}

// Samples is how many samples of each channel fit; 0: none.
func (m Memory) Samples(channels int) int {
	if m.PerChannel > 0 {
		return m.PerChannel
	}
	frame := int64(0)
	for _, w := range m.Widths[:min(max(0, channels), len(m.Widths))] {
		frame += int64(w)
	}
	if frame <= 0 {
		return 0
	}
	return int(min(m.Size/frame, MostSamples))
}

// Ask is what somebody wants of a recorder, and what is known of it.
type Ask struct {
	Memory     Memory
	Adjustable bool // the number of samples can be set; else the recorder always fills its memory
	Channels   int  // to record
	Fewest     int  // channels that can be recorded; 0: 1

	Before    time.Duration // to be seen before the trigger
	After     time.Duration // and after it
	Frequency float64       // highest of interest, Hz; 0: as high as can be
	Use       Use           // empty: Shape

	Intervals []time.Duration // the sample intervals that the recorder offers, in any order; empty: see Base
	Base      time.Duration   // it offers the multiples of this; 0: anything, taken in two digits
	ShareStep float64         // percent: it offers the multiples of this as pre-trigger share; 0: 1

	Race Race
}

// Race is what decides whether a recording can be kept before it is erased.
type Race struct {
	// Requests is how many requests the pull of a recording takes, everything
	// included; nil: not known. It must not fall when there are more samples.
	Requests    func(channels, samples int) int
	RoundTrip   time.Duration // of one request; 0: not known
	Poll        time.Duration // between two looks at the drive
	Commit      time.Duration // to disk
	Connections int           // that share the requests; 0: 1
	Most        int           // connections that the drive takes at most; 0: Connections
	Reset       time.Duration // from the trip to what erases the recording; 0: not known
}

// Bounds of what is taken for an input. They are far beyond any recorder and
// keep every number here in range.
const (
	MostSamples  = 8 << 20
	MostChannels = 256
	MostTime     = time.Hour
	leastBase    = time.Microsecond
	mostInterval = 1000 * time.Second
)

// Plan is one way to set a recorder, with all that follows from it.
type Plan struct {
	Channels int           `json:"channels"`
	Samples  int           `json:"samples"` // of each channel
	Interval time.Duration `json:"interval_ns"`
	Share    float64       `json:"pre_trigger_percent"`
	Trigger  int           `json:"trigger_index"` // samples before the trigger; the share rounded down
	Before   time.Duration `json:"before_ns"`
	After    time.Duration `json:"after_ns"` // from the trigger to the end of the last sample's interval
	Duration time.Duration `json:"duration_ns"`

	Resolution float64 `json:"resolution_hz"` // of a spectrum of the whole recording: 1 ÷ duration
	ShapeTo    float64 `json:"shape_to_hz"`   // highest frequency that can be judged by shape,
	SpectrumTo float64 `json:"spectrum_to_hz"`
	Nyquist    float64 `json:"nyquist_hz"` // half the sample rate: beyond it everything is folded

	Rounded []string `json:"rounded"` // what was rounded to what the recorder offers, one sentence each

	Requests    int           `json:"requests,omitempty"` // of a pull; 0: not known
	Connections int           `json:"connections,omitempty"`
	Poll        time.Duration `json:"poll_ns,omitempty"`
	Pull        time.Duration `json:"pull_ns,omitempty"` // 0: not known
	Commit      time.Duration `json:"commit_ns,omitempty"`
	Need        time.Duration `json:"need_ns,omitempty"`   // for which it must stay readable to be kept for certain
	Stands      time.Duration `json:"stands_ns,omitempty"` // from ready to the reset; negative: reset before it is ready
	Raced       bool          `json:"raced"`               // Stands and Need are known
}

// Margin is what is left of the race; below 0 it is lost. Zero where it isn't known.
func (p Plan) Margin() time.Duration {
	if !p.Raced {
		return 0
	}
	return p.Stands - p.Need
}

// InputError is an input that can't be. Input is its name on the command line.
type InputError struct{ Input, Text string }

func (e *InputError) Error() string { return e.Input + " " + e.Text }

// check finds the first input that can't be.
func (a Ask) check() error {
	wrong := func(input, format string, args ...any) error { return &InputError{input, fmt.Sprintf(format, args...)} }
	r := a.Race
	for _, t := range []struct {
		input string
		d     time.Duration
	}{{"before", a.Before}, {"after", a.After}, {"round-trip", r.RoundTrip}, {"poll", r.Poll}, {"commit", r.Commit}, {"reset-after", r.Reset}} {
		if t.d < 0 || t.d > MostTime {
			return wrong(t.input, "%v can't be; give a time from 0s to %v", t.d, MostTime)
		}
	}
	for _, i := range a.Intervals {
		if i < leastBase || i > mostInterval {
			return wrong("intervals", "%v is no sample interval; give times from %v to %v", i, leastBase, mostInterval)
		}
	}
	switch {
	case a.Channels < 1 || a.Channels > MostChannels:
		return wrong("channels", "%d can't be; give a number from 1 to %d", a.Channels, MostChannels)
	case a.Memory.PerChannel < 0 || a.Memory.PerChannel > MostSamples:
		return wrong("samples", "%d can't be; give a number from 1 to %d", a.Memory.PerChannel, MostSamples)
	case a.Memory.PerChannel == 0 && len(a.Memory.Widths) < a.Channels:
		return wrong("channels", "%d is more than the %d that the recorder has", a.Channels, len(a.Memory.Widths))
	case a.Memory.Samples(a.Channels) < 2:
		return wrong("memory", "holds not even two samples of each of %d channels; give more memory or fewer channels", a.Channels)
	case a.Before+a.After == 0:
		return wrong("before", "and --after are both 0s; say how much is to be seen around the trigger")
	case !(a.Frequency >= 0 && a.Frequency <= 1e6):
		return wrong("frequency", "%v Hz can't be; give a number from 0 to 1000000", a.Frequency)
	case a.Use != "" && a.Use != Shape && a.Use != Spectrum:
		return wrong("judge-by", "%q is unknown; write %s or %s", a.Use, Shape, Spectrum)
	case a.Base != 0 && (a.Base < leastBase || a.Base > mostInterval):
		return wrong("base", "%v can't be; give a time from %v to %v", a.Base, leastBase, mostInterval)
	case a.ShareStep != 0 && !(a.ShareStep >= 0.001 && a.ShareStep <= 100):
		return wrong("share-step", "%v can't be; give a percentage from 0.001 to 100", a.ShareStep)
	case r.Connections < 0 || r.Connections > 1000:
		return wrong("connections", "%d can't be; give a number from 1 to 1000", r.Connections)
	}
	return nil
}

// numbers fills in what follows from the settings.
func (a Ask) numbers(p Plan) Plan {
	rate := float64(time.Second) / float64(p.Interval)
	p.Before = time.Duration(p.Trigger) * p.Interval
	p.Duration = time.Duration(p.Samples) * p.Interval
	p.After = p.Duration - p.Before
	p.Resolution = rate / float64(p.Samples)
	p.ShapeTo, p.SpectrumTo, p.Nyquist = rate/shapeSamples, rate/spectrumSamples, rate/2
	r := a.Race
	if r.Requests == nil {
		return p
	}
	p.Requests, p.Connections, p.Poll, p.Commit = r.Requests(p.Channels, p.Samples), max(1, r.Connections), r.Poll, r.Commit
	if r.RoundTrip == 0 {
		return p
	}
	p.Pull = time.Duration((p.Requests+p.Connections-1)/p.Connections) * r.RoundTrip
	p.Need = p.Poll + p.Pull + p.Commit
	if r.Reset > 0 {
		p.Stands, p.Raced = r.Reset-p.After, true
	}
	return p
}

// Alias is the frequency that a component of the given frequency is seen at,
// in Hz, when it is sampled at the interval without a filter before: the
// distance from the nearest multiple of the sample rate (Shannon 1949).
func Alias(frequency float64, interval time.Duration) float64 {
	rate := float64(time.Second) / float64(interval)
	return math.Abs(frequency - rate*math.Round(frequency/rate))
}
