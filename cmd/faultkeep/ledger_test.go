package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/archive"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// autumn is the night in which Europe/Oslo put its clocks back in 2024, at
// 01:00 UTC on 27 October (the IANA time zone database): it lasts nine hours.
func autumn(hour, minute, second int) time.Time {
	return time.Date(2024, 10, 26, 20+hour, minute, second, 0, time.UTC) // 22:00 in Oslo
}

// nightOf fills a data folder, as faultkeep left it when it was killed at six.
func nightOf(t *testing.T) (folder string) {
	t.Helper()
	ctx := context.Background()
	folder = t.TempDir()
	now := autumn(9, 0, 0)
	s, err := store.Open(ctx, store.Options{Path: filepath.Join(folder, archive.StoreFile), Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	overcurrent := capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1", Severity: capture.Alarm}
	const hostile = "\x1b[2J\u202evil\u2028\t<b>"
	for _, err := range []error{
		s.Watched(ctx, "elevator", autumn(-40, 0, 0)), s.Watched(ctx, "slew", autumn(-40, 0, 0)), s.Watched(ctx, hostile, autumn(7, 0, 0)),
		s.Blind(ctx, "slew", autumn(-3, 0, 0), autumn(-3, 0, 1), capture.CauseNotArmed, "The recorder is idle."), s.Watched(ctx, "slew", autumn(1, 30, 0)),
		s.Note(ctx, store.Entry{Time: autumn(3, 12, 7), Drive: "elevator", Kind: "tripped", Text: "Continuous overcurrent, output 1 (2311).", Fault: overcurrent}),
		s.Miss(ctx, capture.Miss{Time: autumn(3, 12, 9), Drive: "elevator", Fault: overcurrent, Cause: capture.CauseNotReady,
			Text: "Reset 0.3 s before it was ready", Advice: "Hold the reset back 2 s"}, capture.Alarm),
		s.Note(ctx, store.Entry{Time: autumn(3, 12, 12), Drive: "elevator", Kind: "wrote", Text: "Armed the recorder: holding 40 = 1."}),
		s.Blind(ctx, "slew", autumn(4, 50, 0), autumn(4, 50, 1), capture.CauseUnreachable, "10.20.0.14:502 doesn't answer."), s.Watched(ctx, "slew", autumn(5, 44, 0)),
		s.Drifted(ctx, store.Entry{Time: autumn(5, 45, 0), Drive: "slew", Text: "The sample interval is 2 ms, wanted 1 ms."}), s.AsWanted(ctx, "slew", autumn(6, 45, 0)),
		s.Note(ctx, store.Entry{Time: autumn(8, 0, 0), Kind: store.KindClockUnsure, Text: "The PC's clock isn't synchronised: it may be off by 16.0 s or more."}),
		s.Note(ctx, store.Entry{Time: autumn(8, 1, 0), Drive: hostile, Kind: "tripped", Text: hostile}),
		s.Close(),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return folder
}

func TestLedgerInWords(t *testing.T) {
	oslo, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	folder := nightOf(t)
	a, err := archive.Open(context.Background(), folder)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	p := place{Archive: a, zone: oslo, titles: map[string]string{"elevator": "Bucket elevator", "slew": "Loader slew"}}
	for name, c := range map[string]ledgerCommand{
		"night":   {Since: "2024-10-26 22:00", Until: "2024-10-27 06:00"},
		"slew":    {Since: "2024-10-26 22:00", Until: "2024-10-27 08:00", Drive: "slew"},
		"nothing": {Since: "2020-01-01", Until: "2020-01-02"},
		"nobody":  {Since: "2024-10-26 22:00", Until: "2024-10-27 06:00", Drive: "nobody"},
	} {
		q, err := c.query(autumn(9, 0, 0), p.zone)
		if err != nil {
			t.Fatal(err)
		}
		l, err := readLedger(context.Background(), p, q, autumn(9, 0, 0))
		if err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		if err := l.tell(&out, p); err != nil {
			t.Fatal(err)
		}
		golden := filepath.Join("testdata", "ledger", name+".txt")
		if os.Getenv("FAULTKEEP_UPDATE") != "" {
			if err := os.MkdirAll(filepath.Dir(golden), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(golden, out.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(bytes.ReplaceAll(want, []byte("\r\n"), []byte("\n"))), out.String()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// What is written for programs adds up, and holds every list.
func TestLedgerAsJSON(t *testing.T) {
	var out, errs bytes.Buffer
	if code := run([]string{"ledger", "--data", nightOf(t), "--since", "2024-10-26T20:00:00Z", "--until", "2024-10-27T05:00:00Z", "--json"}, output{&out, &errs}); code != exitOK {
		t.Fatal(code, errs.String())
	}
	var got struct {
		Drives []struct {
			Drive   string
			Watched *float64
			Seconds map[string]float64
			Blind   []map[string]any `json:"blind_spells"`
			Drifts  []map[string]any `json:"settings_not_as_wanted"`
		}
		Misses  []map[string]any
		Entries []map[string]any
	}
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Drives) != 3 || len(got.Misses) != 1 || len(got.Entries) != 6 {
		t.Fatalf("%d drives, %d misses, %d entries:\n%s", len(got.Drives), len(got.Misses), len(got.Entries), out.String())
	}
	for _, d := range got.Drives {
		sum := 0.0
		for _, s := range d.Seconds {
			sum += s
		}
		if sum != 9*3600 || d.Blind == nil || d.Drifts == nil {
			t.Errorf("%s: %v s, %v, %v", d.Drive, sum, d.Blind, d.Drifts)
		}
		// 90 minutes not armed and 54 unreachable of 540.
		if want := 1 - 144.0/540; d.Drive == "slew" && (d.Watched == nil || *d.Watched-want > 1e-12 || want-*d.Watched > 1e-12 || len(d.Blind) != 2 || len(d.Drifts) != 1) {
			t.Errorf("slew: %v", d)
		}
	}
}

// What goes on at this moment is told as going on.
func TestLedgerOfThisMoment(t *testing.T) {
	var out, errs bytes.Buffer
	if code := run([]string{"ledger", "--data", nightOf(t), "--drive", "slew"}, output{&out, &errs}); code != exitOK {
		t.Fatal(code, errs.String())
	}
	if got := out.String(); !strings.Contains(got, "–now") || !strings.Contains(got, "faultkeep was not running") || strings.Contains(got, "Local") {
		t.Error(got)
	}
}

func TestLedgerRefusesNonsense(t *testing.T) {
	for _, args := range [][]string{{"--since", "yesterday-ish"}, {"--until", "never"}, {"--since", "1h", "--until", "2h"}} {
		var out, errs bytes.Buffer
		if code := run(append([]string{"ledger", "--data", nightOf(t)}, args...), output{&out, &errs}); code != exitUsage || out.Len() > 0 {
			t.Errorf("%v: exit %d, %s%s", args, code, out.String(), errs.String())
		}
	}
}
