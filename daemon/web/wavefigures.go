package web

import (
	"encoding/json"
	"math"
	"net/http"
	"net/url"
	"strconv"

	"faultkeep/daemon/envelope"
	"faultkeep/daemon/report"
)

// atAnswer is every channel at one sample.
type atAnswer struct {
	Index  int      `json:"index"`
	Time   float64  `json:"t"`      // seconds from the trigger
	Label  string   `json:"label"`  // the time as people read it
	Step   float64  `json:"step"`   // seconds to the next sample
	Values []string `json:"values"` // with units, a channel each
}

// at gives the values at the sample nearest to a time, for the cursor and the
// lines. With a channel in near it is, of the samples within so many seconds
// around that time, the one at which the channel stands out most.
func (s *server) at(w http.ResponseWriter, r *http.Request) error {
	v := r.URL.Query()
	t, err := strconv.ParseFloat(v.Get("t"), 64)
	if err != nil || math.IsNaN(t) || math.IsInf(t, 0) {
		return asked(`"t" is a number of seconds from the trigger`)
	}
	near, err := wholeNumber(v, "near", -1)
	if err != nil {
		return err
	}
	wave, err := s.waveform(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	clock := wave.pyramid.Clock
	i := clock.Nearest(t)
	if i < 0 {
		return &refusal{http.StatusNotFound, "This capture has no samples.", ""}
	}
	if v.Has("near") {
		within, err := strconv.ParseFloat(v.Get("within"), 64)
		if near < 0 || near >= len(wave.series) || err != nil || !(within >= 0) || math.IsInf(within, 0) {
			return asked(`"near" is a channel, counted from 0, and "within" the seconds around "t" to look at`)
		}
		done, err := s.waves.slot(r.Context())
		if err != nil {
			return err
		}
		if found := envelope.Extreme(clock, wave.series[near], clock.First(t-within), clock.First(math.Nextafter(t+within, math.Inf(1)))); found >= 0 {
			i = found
		}
		done()
	}
	return wave.answer(w, wave.at(i))
}

func (wave waveform) at(i int) atAnswer {
	clock := wave.pyramid.Clock
	return atAnswer{Index: i, Time: clock.At(i), Label: wave.label(i), Step: clock.Interval(i), Values: report.At(wave.Capture, wave.series, i)}
}

// label is the time of a sample as people read it.
func (wave waveform) label(i int) string {
	return report.Seconds(wave.pyramid.Clock.At(i), wave.Timing.Interval)
}

func (waveform) answer(w http.ResponseWriter, v any) error {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-cache")
	return ignore(json.NewEncoder(w).Encode(v))
}

// figuresAnswer is every channel over a run of samples.
type figuresAnswer struct {
	Over    string       `json:"over"` // "between the lines", or "over what is shown"
	From    finite       `json:"from"` // time of the first sample counted
	To      finite       `json:"to"`   // and of the last
	Samples int          `json:"samples"`
	Lines   []atAnswer   `json:"lines"` // those that stand
	Delta   finite       `json:"delta"` // seconds between two lines
	Rows    []figuresRow `json:"rows"`
}

// figuresRow is one channel; texts have their units.
type figuresRow struct {
	Channel    int    `json:"channel"`
	Difference string `json:"difference"` // second line less first
	Mean       string `json:"mean"`
	RMS        string `json:"rms"`
	Low        string `json:"low"`
	High       string `json:"high"`
	LowAt      string `json:"low_at"`
	HighAt     string `json:"high_at"`
	Gone       int    `json:"gone"` // samples without a number
	Exact      struct {
		Mean finite `json:"mean"`
		RMS  finite `json:"rms"`
		Low  finite `json:"low"`
		High finite `json:"high"`
	} `json:"exact"`
}

// figures computes, from all samples, mean, RMS, least and greatest of every
// channel between two lines a and b, both included, or else from from to to.
func (s *server) figures(w http.ResponseWriter, r *http.Request) error {
	v := r.URL.Query()
	from, to, whole, err := stretchOrWhole(v)
	if err != nil {
		return err
	}
	lines, err := linesOf(v)
	if err != nil {
		return err
	}
	wave, err := s.waveform(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	done, err := s.waves.slot(r.Context())
	if err != nil {
		return err
	}
	defer done()
	clock := wave.pyramid.Clock
	if clock.Samples() == 0 {
		return &refusal{http.StatusNotFound, "This capture has no samples.", ""}
	}
	out := figuresAnswer{Over: "over what is shown", Lines: []atAnswer{}, Delta: finite(math.NaN()), From: finite(math.NaN()), To: finite(math.NaN())}
	first, end := 0, clock.Samples()
	if !whole {
		first, end = clock.First(from), clock.First(to)
	}
	for _, t := range lines {
		out.Lines = append(out.Lines, wave.at(clock.Nearest(t)))
	}
	if len(lines) == 2 {
		a, b := out.Lines[0], out.Lines[1]
		out.Over, out.Delta = "between the lines", finite(math.Abs(b.Time-a.Time))
		first, end = min(a.Index, b.Index), max(a.Index, b.Index)+1
	}
	if out.Samples = max(0, end-first); out.Samples > 0 {
		out.From, out.To = finite(clock.At(first)), finite(clock.At(end-1))
	}
	for i := range wave.series[:min(len(wave.series), len(wave.Channels))] {
		if r.Context().Err() != nil {
			return r.Context().Err()
		}
		out.Rows = append(out.Rows, wave.row(i, first, end, out.Lines))
	}
	return wave.answer(w, out)
}

// row is one channel over the samples [first, end).
func (wave waveform) row(i, first, end int, lines []atAnswer) figuresRow {
	ch, s := wave.Channels[i], wave.series[i]
	row := figuresRow{Channel: i, Difference: "–", Mean: "–", RMS: "–", Low: "–", High: "–"}
	nan := finite(math.NaN())
	row.Exact.Mean, row.Exact.RMS, row.Exact.Low, row.Exact.High = nan, nan, nan, nan
	if ch.Digital() {
		return row
	}
	if len(lines) == 2 {
		row.Difference = report.Readout(ch, value(s, lines[1].Index)-value(s, lines[0].Index))
	}
	f := envelope.FiguresOf(wave.pyramid.Clock, s, first, end)
	row.Gone = max(0, end-first) - f.Count
	if f.Count == 0 {
		return row
	}
	row.Mean, row.RMS = report.Readout(ch, f.Mean), report.Readout(ch, f.RMS)
	row.Low, row.High = report.Readout(ch, f.Low), report.Readout(ch, f.High)
	row.LowAt, row.HighAt = wave.label(f.LowAt), wave.label(f.HighAt)
	row.Exact.Mean, row.Exact.RMS, row.Exact.Low, row.Exact.High = finite(f.Mean), finite(f.RMS), finite(f.Low), finite(f.High)
	return row
}

func value(s []float64, i int) float64 {
	if i < 0 || i >= len(s) {
		return math.NaN()
	}
	return s[i]
}

// linesOf are the measuring lines that an address names, none to two.
func linesOf(v url.Values) ([]float64, error) {
	var out []float64
	for _, key := range []string{"a", "b"} {
		text := v.Get(key)
		if text == "" {
			continue
		}
		t, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(t) || math.IsInf(t, 0) {
			return nil, asked("%q is a number of seconds from the trigger, such as -0.25", key)
		}
		out = append(out, t)
	}
	return out, nil
}
