package web

import (
	"fmt"
	"math"
	"net/http"
	"strconv"

	"faultkeep/daemon/analysis/spectrum"
	"faultkeep/daemon/report"
)

const (
	leastForSpectrum = 16
	peakChance       = 0.01 // by which noise alone would show a peak anywhere
	mostPeaks        = 5
)

// spectrumAnswer is the spectra of a stretch.
type spectrumAnswer struct {
	Words  string          `json:"words"` // resolution, window, segments
	Step   float64         `json:"step"`  // Hz from line to line
	Lines  int             `json:"lines"` // from 0 Hz on
	Curves []spectrumCurve `json:"curves"`
}

// spectrumCurve is one channel's.
type spectrumCurve struct {
	Channel   int       `json:"channel"`
	Amplitude []float64 `json:"amplitude"`     // peak values of tones, in the channel's unit
	Peaks     []string  `json:"peaks"`         // "8.40 ±0.05 Hz: 12.3 rpm", highest above the noise first
	Why       string    `json:"why,omitempty"` // there is none
}

// spectrum is asked for of a stretch of the record, as the page shows it.
func (s *server) spectrum(w http.ResponseWriter, r *http.Request) error {
	v := r.URL.Query()
	from, to, whole, err := stretchOrWhole(v)
	if err != nil {
		return err
	}
	channels, err := channelList(v)
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
	first, end := 0, wave.pyramid.Clock.Samples()
	if !whole {
		first, end = wave.pyramid.Clock.First(from), wave.pyramid.Clock.First(to)
	}
	out := spectrumAnswer{Curves: []spectrumCurve{}}
	interval, even := wave.evenly(first, end)
	switch {
	case end-first < leastForSpectrum:
		out.Words = fmt.Sprintf("No spectrum: fewer than %d samples are shown.", leastForSpectrum)
		return wave.answer(w, out)
	case !even:
		out.Words = "No spectrum: the samples shown aren't equally far apart."
		return wave.answer(w, out)
	}
	for _, ch := range channels {
		if ch < 0 || ch >= min(len(wave.series), len(wave.Channels)) {
			return asked("there is no channel %d", ch)
		}
		if r.Context().Err() != nil {
			return r.Context().Err()
		}
		curve, got := wave.spectrumOf(ch, first, end, interval)
		if got.Segments > 0 {
			out.Step, out.Lines, out.Words = got.Step, len(got.Density), spectrumWords(got)
		}
		out.Curves = append(out.Curves, curve)
	}
	return wave.answer(w, out)
}

func (wave waveform) spectrumOf(ch, first, end int, interval float64) (spectrumCurve, spectrum.Spectrum) {
	curve := spectrumCurve{Channel: ch, Amplitude: []float64{}, Peaks: []string{}}
	if wave.Channels[ch].Digital() {
		curve.Why = "words of bits have none"
		return curve, spectrum.Spectrum{}
	}
	s := wave.series[ch]
	got, err := spectrum.Welch(s[min(first, len(s)):min(end, len(s))], 1/interval, spectrum.Options{})
	if err != nil {
		curve.Why = "not every sample shown is a number"
		return curve, got
	}
	for k := range got.Density {
		curve.Amplitude = append(curve.Amplitude, fourDigits(got.Amplitude(k)))
	}
	for _, p := range got.Peaks(peakChance) {
		if len(curve.Peaks) < mostPeaks {
			curve.Peaks = append(curve.Peaks, fmt.Sprintf("%s ±%s Hz: %s", report.Value(p.Frequency, 4), report.Value(p.FrequencyPM, 1), report.Readout(wave.Channels[ch], p.Amplitude)))
		}
	}
	return curve, got
}

// evenly is the interval of the samples [first, end); even: it is the same
// between all of them, to a millionth: what adding up intervals leaves.
func (wave waveform) evenly(first, end int) (interval float64, even bool) {
	clock := wave.pyramid.Clock
	if clock.Even() {
		return wave.Timing.Interval, wave.Timing.Interval > 0
	}
	interval = (clock.At(end-1) - clock.At(first)) / float64(max(1, end-1-first))
	for i := first; i < end-1; i++ {
		if math.Abs(clock.Interval(i)-interval) > 1e-6*interval {
			return 0, false
		}
	}
	return interval, interval > 0
}

func spectrumWords(s spectrum.Spectrum) string {
	return fmt.Sprintf("Resolution %s Hz up to %s Hz: Hann window, %s of %d samples each, half overlapping, averaged. Amplitudes are peak values of a tone, on a scale of decades.",
		report.Value(s.Step, 3), report.Value(s.Rate/2, 4), plural(s.Segments, "segment", "segments"), s.Size)
}

// fourDigits is as exact as a picture can show, and short.
func fourDigits(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 4, 64), 64)
	if err != nil || math.IsInf(y, 0) || math.IsNaN(y) {
		return 0
	}
	return y
}
