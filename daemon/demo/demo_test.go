package demo_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/demo"
	"faultkeep/sources/drivesim"
)

// hurried is the plant with everything happening faster: trips, resets that a
// pull often loses against, and short power cuts.
func hurried(seed uint64) []drivesim.Spec {
	specs := demo.Northquay(seed)
	for i := range specs {
		specs[i].Pattern = true // every byte of every recording differs
		p := &specs[i].Plan
		p.At, p.Mean, p.Least = nil, time.Second, 400*time.Millisecond
		p.ResetMin, p.ResetMax = 150*time.Millisecond, 2500*time.Millisecond
		p.CutChance, p.CutFor = 0.15, time.Second
	}
	return specs
}

// The promises, in real time and over real connections: every winnable
// recording kept whole, nothing mixed, nothing untold, every alert accepted.
func TestHurriedPlant(t *testing.T) {
	var all demo.Summary
	for seed := range uint64(4) {
		t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) {
			var lines bytes.Buffer
			s, err := demo.Run(t.Context(), demo.Options{Plant: hurried(seed), Seed: seed, For: 5 * time.Second, Lines: &lines})
			if err != nil {
				t.Fatal(err)
			}
			if !s.OK || s.Mixed > 0 || s.Untold > 0 || s.Doubled > 0 || s.Unfounded > 0 || s.Damaged > 0 {
				t.Errorf("%+v\n%s\n%s", s, strings.Join(append(s.Lost, s.Faults...), "\n"), lines.String())
			}
			if s.Alerts.Raised != s.Alerts.Accepted || s.Alerts.Raised == 0 {
				t.Errorf("%+v", s.Alerts)
			}
			all.Recordings += s.Recordings
			all.Winnable += s.Winnable
			all.Kept += s.Kept
			all.Partial += s.Partial
			all.Misses += s.Misses
			all.BlindSpells += s.BlindSpells
			all.Retried += s.Retried
		})
	}
	t.Logf("%d recordings, %d winnable, %d kept, %d in part, %d misses, %d blind spells, %d alerts retried",
		all.Recordings, all.Winnable, all.Kept, all.Partial, all.Misses, all.BlindSpells, all.Retried)
	if all.Winnable == 0 || all.Winnable == all.Recordings || all.Misses == 0 || all.BlindSpells == 0 || all.Retried == 0 {
		t.Error("the plant was too calm to prove anything")
	}
}

// The demo as it is shown: the page, a line for each thing, and the summary.
func TestLines(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	page := make(chan string, 1)
	lines := &firstLine{got: page}
	seen := make(chan string, 1)
	go func() {
		defer stop() // as Ctrl-C does
		var address string
		select {
		case line := <-page:
			address = regexp.MustCompile(`http://\S+`).FindString(line)
		case <-time.After(10 * time.Second):
		}
		time.Sleep(4 * time.Second)
		r, err := http.Get(address)
		if err != nil {
			seen <- err.Error()
		} else {
			r.Body.Close()
			seen <- r.Status
		}
	}()
	s, err := demo.Run(ctx, demo.Options{Seed: 1, Lines: lines})
	if err != nil {
		t.Fatal(err)
	}
	if status := <-seen; status != "200 OK" {
		t.Errorf("the page: %s", status)
	}
	for _, want := range []string{
		`(?m)^\d\d:\d\d:\d\d\.\d  Bucket elevator  watched$`,
		`(?m)^\d\d:\d\d:\d\d\.\d  \S.{14}  tripped: .+ \([0-9A-F]{4}\)$`,
		`(?m)^.{27}  pulling \d+ KiB$`,
		`(?m)^.{27}  kept whole, .+ s after it was ready: \d{8}-\d{6}-[a-z0-9-]+$`,
		`(?m)^.{27}  armed again$`,
	} {
		if !regexp.MustCompile(want).MatchString(lines.String()) {
			t.Errorf("no line like %s in\n%s", want, lines.String())
		}
	}
	if !strings.Contains(s.Text(), "Every winnable recording was kept whole, and every alert was accepted.") {
		t.Error(s.Text())
	}
	var fields map[string]any
	text, err := json.Marshal(s)
	if err != nil || json.Unmarshal(text, &fields) != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"recordings", "winnable", "kept", "partial", "misses", "blind_spells", "alerts", "seed"} {
		if fields[name] == nil {
			t.Errorf("the summary has no %s", name)
		}
	}
}

// firstLine keeps everything and hands out the first line.
type firstLine struct {
	bytes.Buffer
	got chan string
}

func (w *firstLine) Write(b []byte) (int, error) {
	if w.Len() == 0 {
		w.got <- string(b)
	}
	return w.Buffer.Write(b)
}

// The same seed gives the same trips, whatever faultkeep does meanwhile.
func TestSameSeedSameTrips(t *testing.T) {
	schedule := func(seed uint64, begin time.Time, armEvery time.Duration) (s string) {
		const length = time.Minute
		for _, spec := range demo.Northquay(seed) {
			spec.Pattern = true
			d := drivesim.New(spec, begin)
			for now := begin; now.Before(begin.Add(length)); now = now.Add(armEvery) {
				if d.State(now) == "idle" {
					d.Arm(now)
				}
			}
			for _, in := range d.Incidents(begin.Add(length)) {
				s += fmt.Sprintln(spec.Name, in.Cause, in.Tripped.Sub(begin), in.Reset.Sub(in.Tripped), in.ByPower)
			}
		}
		return s
	}
	one := schedule(7, start, 100*time.Millisecond)
	if two := schedule(7, start.Add(99*time.Hour), 1700*time.Millisecond); one != two {
		t.Errorf("%s\nis not\n%s", one, two)
	}
	if other := schedule(8, start, 100*time.Millisecond); other == one {
		t.Error("another seed gives the same trips")
	}
	if n := strings.Count(one, "\n"); n < 10 {
		t.Errorf("%d trips in a minute", n)
	}
}

// A screen that is held back for a while holds up nothing but itself.
func TestSlowScreen(t *testing.T) {
	screen := &heldBack{until: time.Now().Add(4 * time.Second)}
	s, err := demo.Run(t.Context(), demo.Options{Plant: hurried(3), Seed: 3, For: 3500 * time.Millisecond, Lines: screen})
	if err != nil {
		t.Fatal(err)
	}
	if !s.OK || s.Winnable == 0 || s.Stalled > 1 {
		t.Errorf("%+v", s)
	}
	if n := strings.Count(screen.String(), "kept whole"); n != s.Kept {
		t.Errorf("%d lines tell of %d captures", n, s.Kept)
	}
}

// heldBack takes the first line, then nothing for a while.
type heldBack struct {
	bytes.Buffer
	until time.Time
}

func (w *heldBack) Write(b []byte) (int, error) {
	if w.Len() > 0 {
		time.Sleep(time.Until(w.until))
	}
	return w.Buffer.Write(b)
}
