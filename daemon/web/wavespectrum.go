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
	peakChance = 0.01 // by which noise alone would show a peak anywhere
	mostPeaks  = 5
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
	interval, even := wave.evenly(first, end)
	if size := spectrum.SizeFor(end - first); !even || end-first < 2*size {
		why := "fewer than 16 samples are shown"
		if end-first >= 16 {
			why = "the samples shown aren't equally far apart"
		}
		return wave.answer(w, spectrumAnswer{Words: "No spectrum: " + why + ".", Curves: []spectrumCurve{}})
	}
	out := spectrumAnswer{Curves: []spectrumCurve{}}
	for _, ch := range channels {
		if ch < 0 || ch >= min(len(wave.series), len(wave.Channels)) {
			return &refusal{http.StatusBadRequest, fmt.Sprintf("There is no channel %d.", ch), ""}
		}
		if r.Context().Err() != nil {
			return r.Context().Err()
		}
		curve := spectrumCurve{Channel: ch, Amplitude: []float64{}, Peaks: []string{}}
		switch got, err := spectrum.Welch(wave.series[ch][min(first, len(wave.series[ch])):min(end, len(wave.series[ch]))], 1/interval, spectrum.Options{}); {
		case wave.Channels[ch].Digital():
			curve.Why = "words of bits have none"
		case err != nil:
			curve.Why = "not every sample shown is a number"
		default:
			out.Step, out.Lines, out.Words = got.Step, len(got.Density), spectrumWords(got)
			for k := range got.Density {
				curve.Amplitude = append(curve.Amplitude, fourDigits(got.Amplitude(k)))
			}
			for _, p := range got.Peaks(peakChance)[:min(mostPeaks, len(got.Peaks(peakChance)))] {
				curve.Peaks = append(curve.Peaks, fmt.Sprintf("%s ±%s Hz: %s", report.Value(p.Frequency, 4), report.Value(p.FrequencyPM, 1), report.Readout(wave.Channels[ch], p.Amplitude)))
			}
		}
		out.Curves = append(out.Curves, curve)
	}
	return wave.answer(w, out)
}

// evenly tells whether the samples [first, end) are equally far apart, to a
// millionth: what adding up intervals leaves.
func (wave waveform) evenly(first, end int) (interval float64, even bool) {
	if end-first < 16 {
		return 0, false
	}
	clock := wave.pyramid.Clock
	interval = (clock.At(end-1) - clock.At(first)) / float64(end-1-first)
	if wave.Timing.Uniform() && clock.At(first+1)-clock.At(first) == wave.Timing.Between(first, first+1) {
		return interval, interval > 0
	}
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
