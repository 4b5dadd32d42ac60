package modbus

import (
	"context"
	"fmt"
	"strings"
	"time"

	"faultkeep/sources"
	"faultkeep/store/capture"
)

// settings is what the recorder's settings showed when they were read last.
type settings struct {
	found []capture.Setting
	due   time.Time // when to read them again
	drift string    // the mismatch told last
}

const settingsEvery = time.Hour

// verifySettings holds the recorder's settings against the map's expect: at
// connect, after every arming, and hourly.
func (w *watch) verifySettings(ctx context.Context) {
	if len(w.Map.Expect) == 0 || time.Now().Before(w.settings.due) || w.previous == capture.Recording {
		return
	}
	found, err := w.readSettings(ctx)
	if sources.IsPermanent(err) {
		w.settings.due = time.Now().Add(settingsEvery)
		w.trouble("the recorder's settings can't be read, look at expect: in the map. " + err.Error())
		return
	}
	if err != nil {
		w.unreachable(err)
		return
	}
	w.settings.found, w.settings.due = found, time.Now().Add(settingsEvery)
	var off []string
	for _, s := range found {
		if !s.OK {
			off = append(off, fmt.Sprintf("%s is %s, wanted %s", s.Name, s.Value, s.Wanted))
		}
	}
	drift := strings.Join(off, "; ")
	if drift != "" && drift != w.settings.drift {
		w.observe(sources.Observation{Kind: sources.SeenDrift, Text: "The recorder's settings aren't the wanted ones: " + drift + ".",
			Advice: "Set them at the drive, or correct expect: in the map."})
	}
	if drift == "" {
		w.observe(sources.Observation{Kind: sources.SeenAsWanted})
	}
	w.settings.drift = drift
}

// readSettings reads every setting that the map names.
func (d *Drive) readSettings(ctx context.Context) ([]capture.Setting, error) {
	image, err := newReading(d.line, d.Map, d.Map.SettingsValues()).get(ctx)
	if err != nil {
		return nil, err
	}
	found := make([]capture.Setting, 0, len(d.Map.Expect))
	for _, e := range d.Map.Expect {
		r, ok := image.Get(e.Value)
		if !ok {
			continue
		}
		s := capture.Setting{Name: e.Name, Value: r.Text, OK: true}
		switch {
		case e.Equals != nil:
			s.Wanted, s.OK = fmt.Sprintf("%g", *e.Equals), near(r.Number, *e.Equals)
		case e.Low != nil && e.High != nil:
			s.Wanted, s.OK = fmt.Sprintf("%g…%g", *e.Low, *e.High), *e.Low <= r.Number && r.Number <= *e.High
		case e.Low != nil:
			s.Wanted, s.OK = fmt.Sprintf("at least %g", *e.Low), *e.Low <= r.Number
		case e.High != nil:
			s.Wanted, s.OK = fmt.Sprintf("at most %g", *e.High), r.Number <= *e.High
		}
		found = append(found, s)
	}
	return found, nil
}

// near compares scaled numbers, which decimal factors make inexact.
func near(a, b float64) bool {
	d := a - b
	if d < 0 {
		d = -d
	}
	return d <= 1e-9*max(1, b, -b)
}
