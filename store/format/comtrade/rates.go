package comtrade

import (
	"fmt"
	"math"
	"strings"

	"faultkeep/store/capture"
	"faultkeep/store/format"
)

// maxRates is how many stretches with a sample interval of their own a record
// keeps when they are found in its time stamps.
const maxRates = 4096

// Rates beyond these, in hertz, and multipliers beyond their like are no
// recorder's: numbers made of them would overflow.
const lowestRate, highestRate = 1e-9, 1e15

// rateLines reads the number of sampling rates and a line "samp,endsamp" for
// each. Without a rate there still is one line, for the number of samples.
func (p *parser) rateLines() error {
	line, err := p.next("the number of sampling rates")
	if err != nil {
		return err
	}
	n, err := count(fields(line)[0])
	if err != nil {
		return p.wrong("the number of sampling rates belongs here", "%v", err)
	}
	p.stamped = n == 0
	if p.stamped && p.dateFollows() {
		p.note("no end", "isn't followed by the line with the number of samples; they were counted")
		return nil
	}
	for range max(n, 1) {
		if err := p.rateLine(); err != nil {
			return err
		}
	}
	p.samples = p.rates[len(p.rates)-1].end
	if !p.stamped && p.rates[0].hertz == 0 && len(p.rates) == 1 {
		p.note("no rate", "gives a sampling rate of 0; the time stamps were taken instead")
		p.stamped = true
	}
	if p.samples == 0 && !p.stamped {
		return p.wrong("", "says that there are no samples")
	}
	return nil
}

// dateFollows tells whether the next line is a date already.
func (p *parser) dateFollows() bool {
	line, _ := (&text{rest: p.text.rest, end: p.text.end}).next()
	return strings.Count(string(line[:min(len(line), maxLine)]), "/") == 2
}

func (p *parser) rateLine() error {
	line, err := p.next("a sampling rate")
	if err != nil {
		return err
	}
	f := fields(line)
	if len(f) < 2 {
		return p.wrong("it should be like 1000,2500", "has %d field, a sampling rate has 2", len(f))
	}
	hertz, ok := finite(f[0])
	if !p.stamped && hertz != 0 && (hertz < lowestRate || hertz > highestRate) || !p.stamped && !ok {
		return p.wrong("it must be in hertz", "has %s where a sampling rate belongs", quoted(f[0]))
	}
	end, err := count(f[1])
	if err != nil {
		return p.wrong("the number of the last sample at this rate belongs there", "%v", err)
	}
	if n := len(p.rates); n > 0 && (end <= p.rates[n-1].end || hertz == 0 || p.rates[n-1].hertz == 0) {
		return p.wrong("rates must come in the order of their samples", "has the rate %s up to sample %d after one up to sample %d",
			quoted(f[0]), end, p.rates[n-1].end)
	}
	p.rates = append(p.rates, rate{hertz, end})
	return nil
}

// timing is how many samples there are and how far apart.
func (in *input) timing() (capture.Timing, error) {
	c := in.cfg
	count := c.unit() * c.multiplier // what one count of a stamp is worth, in seconds
	if c.stamped {
		rates, err := in.fromStamps(count)
		if err != nil {
			return capture.Timing{}, err
		}
		return timingOf(in.samples, rates), nil
	}
	rates := make([]capture.Rate, len(c.rates))
	for i, r := range c.rates {
		rates[i] = capture.Rate{End: r.end, Interval: 1 / r.hertz}
	}
	t := timingOf(in.samples, rates)
	told, expected := (in.last-in.begin)*count, t.Between(0, in.samples-1)
	if off := math.Abs(told - expected); off > expected/100+2*t.Interval {
		in.notes.add("stamps", "%s has time stamps over %.6g s where its sampling rates make it %.6g s; the rates were taken", in.part.name, told, expected)
	}
	return t, nil
}

// skewed warns of channels that were sampled so long after their sample's time
// that it shows: series have one time axis for all.
func (c *config) skewed(t capture.Timing, n *notes) {
	for _, a := range c.analog {
		if math.Abs(a.skew)*1e-6 > t.Interval/2 {
			n.add("skew", "%s gives channel %s a skew of %g µs, more than half a sample interval; it is shown without that shift", c.file, quoted(a.name), a.skew)
		}
	}
}

// timingOf joins neighbours with the same interval.
func timingOf(samples int, rates []capture.Rate) capture.Timing {
	t := capture.Timing{Samples: samples, Interval: math.Inf(1)}
	for _, r := range rates {
		t.Interval = min(t.Interval, r.Interval)
		if n := len(t.Rates); n > 0 && t.Rates[n-1].Interval == r.Interval {
			t.Rates[n-1].End = r.End
			continue
		}
		t.Rates = append(t.Rates, r)
	}
	if len(t.Rates) == 1 {
		t.Rates = nil
	}
	return t
}

// fromStamps makes stretches of equal intervals out of the time stamps, with
// every sample within one count of its own stamp where that takes no more than
// maxRates stretches. count is in seconds.
func (in *input) fromStamps(count float64) ([]capture.Rate, error) {
	missing := 0
	for _, s := range in.stamps {
		if math.IsNaN(s) {
			missing++
		}
	}
	if missing > 0 {
		in.notes.add("no stamps", "%s has %s without a time stamp, put where a steady pace has them", in.part.name, some(missing, "sample"))
	}
	tolerance := 1.0
	for {
		rates, bad := stretches(in.stamps, tolerance)
		if bad >= 0 {
			return nil, &format.Error{File: in.part.name, What: fmt.Sprintf("has time stamps that don't go on at sample %d", bad+1),
				Hint: "without a sampling rate there is no other time axis"}
		}
		if len(rates) <= maxRates {
			if tolerance > 1 {
				in.notes.add("irregular", "%s was sampled so irregularly that its samples are shown up to %.3g s beside their time stamps", in.part.name, tolerance*count)
			}
			for i := range rates {
				rates[i].Interval *= count
			}
			return rates, nil
		}
		tolerance *= 2
	}
}

// stretches fits straight lines through the stamps, each begun where the one
// before ends, as long as possible with every stamp within the tolerance. bad
// is the sample at which time doesn't go on, or negative.
func stretches(stamps []float64, tolerance float64) (rates []capture.Rate, bad int) {
	n := len(stamps)
	if n == 1 {
		return []capture.Rate{{End: 1, Interval: 1}}, -1
	}
	begin := 0 // sample of the line's beginning
	at := stamps[0]
	if math.IsNaN(at) {
		return nil, 0
	}
	low, high := 0.0, math.Inf(1) // slopes that are left
	known := 0                    // last sample with a stamp
	for k := 1; k <= n; k++ {
		if k < n && math.IsNaN(stamps[k]) {
			continue
		}
		if k < n {
			x := float64(k - begin)
			lo, hi := max(low, (stamps[k]-tolerance-at)/x), min(high, (stamps[k]+tolerance-at)/x)
			if hi > 0 && lo <= hi {
				low, high, known = lo, hi, k
				continue
			}
			if known == begin {
				return nil, k
			}
		} else if known == begin { // nothing more is known
			break
		}
		slope := (stamps[known] - at) / float64(known-begin)
		if slope <= 0 || slope < low || slope > high {
			slope = (low + high) / 2
		}
		rates = append(rates, capture.Rate{End: known, Interval: slope})
		at += slope * float64(known-begin)
		begin, low, high = known, 0, math.Inf(1)
		if k < n {
			k = known // look again at what didn't fit
		}
	}
	if len(rates) == 0 || stamps[known] <= stamps[0] {
		return nil, n - 1
	}
	rates[len(rates)-1].End = n
	return rates, -1
}
