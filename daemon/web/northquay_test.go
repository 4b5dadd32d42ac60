package web_test

import (
	"context"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/web"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// A night at our invented grain terminal Northquay.
var (
	oslo    = mustZone("Europe/Oslo")
	evening = time.Date(2026, 11, 24, 18, 10, 0, 0, oslo)
	morning = time.Date(2026, 11, 25, 6, 40, 0, 0, oslo)
)

func mustZone(name string) *time.Location {
	z, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return z
}

// plant is a store with what happened, and the drives as they are now.
type plant struct {
	store *store.Store
	live  *live
	now   time.Time // of the store
}

type live struct {
	mu     sync.Mutex
	drives []web.DriveNow
	ears   []chan struct{}
}

func (l *live) Drives() []web.DriveNow {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]web.DriveNow(nil), l.drives...)
}

func (l *live) Changes() (<-chan struct{}, func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	ch := make(chan struct{}, 1)
	l.ears = append(l.ears, ch)
	return ch, func() {}
}

func (l *live) change(f func([]web.DriveNow)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f(l.drives)
	for _, ch := range l.ears {
		select {
		case ch <- struct{}{}:
		default:
		}
	}
}

func newPlant(t testing.TB, site string) *plant {
	t.Helper()
	p := &plant{live: &live{}, now: evening}
	s, err := store.Open(context.Background(), store.Options{Path: filepath.Join(t.TempDir(), archive.StoreFile), Site: site,
		Announce: func(capture.Alert) []capture.Delivery { return capture.To("control-room") },
		Now:      func() time.Time { return p.now }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if r, err := s.Verify(context.Background(), nil); err != nil || !r.OK() {
			t.Errorf("verify: %v, %v", r, err)
		}
		_ = s.Close()
	})
	p.store = s
	return p
}

func (p *plant) options() web.Options {
	return web.Options{Site: "Northquay grain terminal", Zone: oslo, Version: "0.1.0", Token: "let-me-in", Store: archive.Pages(p.store),
		Live: p.live, Now: func() time.Time { return morning }, Alerts: func() web.AlertCounts { return web.AlertCounts{Raised: 5, Accepted: 4, Waiting: 1} }}
}

// trip makes a recording of an invented drive: 2,048 samples of eight channels, a millisecond apart.
func trip(drive, title string, at time.Time, fault capture.Fault, kind string) (capture.Capture, []byte) {
	const n, index = 2048, 1400
	at = at.UTC()
	ready := at.Add(700 * time.Millisecond)
	c := capture.Capture{
		ID: capture.NewID(at, drive, kind), Drive: drive, Title: title, DriveType: "northquay-demo", Fault: fault,
		Trigger: capture.Trigger{Time: at, Earliest: at.Add(-130 * time.Millisecond), Latest: at.Add(130 * time.Millisecond), Index: index},
		Timing:  capture.Timing{Samples: n, Interval: 0.001},
		Channels: []capture.Channel{
			{Name: "Speed setpoint", Unit: "rpm", Role: capture.RoleSetpoint}, {Name: "Speed", Unit: "rpm", Role: capture.RoleSpeed},
			{Name: "Output current", Unit: "A", Role: capture.RoleCurrent}, {Name: "Torque", Unit: "Nm", Role: capture.RoleTorque},
			{Name: "DC link voltage", Unit: "V", Role: capture.RoleDCLink}, {Name: "Position error", Unit: "°", Role: capture.RolePositionError},
			{Name: "Heat sink", Unit: "°C", Role: capture.RoleTemperature},
			{Name: "Status word", Role: capture.RoleDigital, Bits: []string{"enabled", "", "brake open", "at limit", "fault"}},
		},
		Settings: []capture.Setting{{Name: "Sample interval", Value: "1 ms", Wanted: "1 ms", OK: true}, {Name: "Pre-trigger share", Value: "68 %", Wanted: "70 %", OK: false}},
		Provenance: capture.Provenance{Source: "modbus", Address: "10.20.0.11:502/1", Map: "northquay-demo", MapHash: "9b74c9897bac770ffc029102a200c5de0d7f6a5a5ca0d0b4c2f9a4f2b2f6d1aa",
			Identity: "recording 17 " + kind, Ready: ready, Opened: ready.Add(40 * time.Millisecond), Requests: 147},
		Integrity: capture.Integrity{Whole: true, Verified: []string{"identity before and after", "CRC-32 of the drive"}},
	}
	c.Encoding = capture.Encoding{Order: capture.ByChannel, Samples: n}
	scales := []float64{0.1, 0.1, 0.01, 0.1, 0.1, 0.01, 0.1, 1}
	for _, s := range scales {
		c.Encoding.Channels = append(c.Encoding.Channels, capture.Coding{Type: capture.Int16, Scale: s})
	}
	c.Integrity.Size = c.Encoding.Size()
	data := make([]byte, c.Encoding.Size())
	r := rand.New(rand.NewPCG(uint64(at.Unix()), 7))
	for k := range n {
		for ch, v := range signal(kind, c.At(k), r) {
			at := c.Encoding.At(ch, k).Start
			binary.BigEndian.PutUint16(data[at:], uint16(int16(math.Round(max(-32768, min(32767, v/scales[ch]))))))
		}
	}
	return c, data
}

func signal(kind string, t float64, r *rand.Rand) [8]float64 {
	set, speed, current, dc, pos, bits := 1450.0, 1448+r.NormFloat64()*2, 42+r.NormFloat64()*0.6+1.2*math.Sin(2*math.Pi*50*t), 565+r.NormFloat64()*1.5, 0.3*math.Sin(9*t), 0b101
	switch kind {
	case "jam":
		if u := t + 0.3; u > 0 {
			current += min(150, 190*u*u+320*u)
			speed -= min(1448, 900*u*u)
			if current > 130 {
				bits |= 8
			}
		}
	case "dip":
		if u := t + 0.09; u > 0 {
			dc -= 200 * (1 - math.Exp(-u/0.05))
			current += 14 * math.Sin(2*math.Pi*100*t) * min(1, u*9)
		}
	case "hunting":
		a := 8 * math.Exp(2.4*(t+1.4))
		speed += min(a, 400) * math.Sin(2*math.Pi*8.4*t)
		current += min(a/6, 60) * math.Cos(2*math.Pi*8.4*t)
		pos += min(a/8, 60) * math.Sin(2*math.Pi*8.4*t+0.5)
	}
	if t >= 0 {
		bits = 16
		current *= math.Exp(-t * 30)
		speed *= math.Exp(-t * 1.2)
		set = 0
	}
	return [8]float64{set, speed, current, current * 1.9, dc, pos, 61 + 1.4*(t+1.4), float64(bits)}
}

var (
	overcurrent  = capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1", Class: capture.ClassCurrent, Severity: capture.Alarm, Table: "IEC 61800-7-201"}
	undervoltage = capture.Fault{Code: 0x3221, Shown: "3221", Name: "DC link undervoltage 1", Class: capture.ClassVoltage, Severity: capture.Alarm, Table: "IEC 61800-7-201"}
	following    = capture.Fault{Code: 0x8611, Shown: "8611", Name: "Following error", Class: capture.ClassMonitoring, Severity: capture.Alarm, Table: "IEC 61800-7-201"}
)

// keep puts a recording into the store; have bounds what of each channel came across, 0: all.
func (p *plant) keep(t testing.TB, c capture.Capture, data []byte, have int) capture.Capture {
	t.Helper()
	d, err := p.store.Draft(context.Background(), c)
	if err != nil {
		t.Fatal(err)
	}
	chunks := []capture.Chunk{{Part: capture.Data, Bytes: data}}
	if have > 0 {
		chunks = nil
		c.Integrity = capture.Integrity{Size: c.Integrity.Size, Why: "The drive was reset 0.4 s after the recording was ready; a pull takes 1.1 s"}
		for ch := range c.Channels {
			from, to := c.Encoding.At(ch, c.Trigger.Index-have).Start, c.Encoding.At(ch, c.Trigger.Index+have/3).End
			chunks = append(chunks, capture.Chunk{Part: capture.Data, Offset: from, Bytes: data[from:to]})
			c.Integrity.Have = append(c.Integrity.Have, capture.Range{Start: from, End: to})
		}
	}
	p.now = c.Trigger.Time.Add(2100 * time.Millisecond)
	chunks = append(chunks, capture.Chunk{Part: "header", Bytes: []byte{0, 8, 8, 0, 3, 232, 5, 120}})
	kept, err := d.Keep(context.Background(), c, chunks...)
	if err != nil {
		t.Fatal(err)
	}
	return kept
}

// night fills the plant with a night's events and returns the captures, newest first.
func (p *plant) night(t testing.TB) []capture.Capture {
	t.Helper()
	ctx := context.Background()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	pages := archive.Pages(p.store)
	must(pages.SetVisit(ctx, "page", evening))
	on := func(h, m, s int) time.Time { return time.Date(2026, 11, 25, h, m, s, 410e6, oslo) }
	p.live.drives = []web.DriveNow{
		{Name: "elevator", Title: "Bucket elevator", Address: "10.20.0.11:502/1", State: capture.Armed, Reachable: true, Watched: true, LastSeen: morning.Add(-200 * time.Millisecond), Race: "margin 2.9 s",
			Figures: web.Race{Pull: 700 * time.Millisecond, Need: time.Second, Survived: 3900 * time.Millisecond, ResetAfter: 5 * time.Second}},
		{Name: "belt-2", Title: "Belt 2", Address: "10.20.0.12:502/1", State: capture.Ready, Reachable: true, Watched: true, LastSeen: morning, Pulling: true, Done: 21000, Size: 32768, Tripped: true, Fault: overcurrent},
		{Name: "belt-3", Title: "Belt 3", Address: "10.20.0.12:502/2", State: capture.Armed, Reachable: true, Watched: true, LastSeen: morning, Race: "margin −0.8 s",
			Figures: web.Race{Pull: 1100 * time.Millisecond, Need: 1400 * time.Millisecond, Survived: 600 * time.Millisecond, Advice: "Hold the reset back at least 1.4 s, or allow more connections."}},
		{Name: "slew", Title: "Loader slew", Address: "10.20.0.14:502/1", State: capture.Unknown, LastSeen: morning.Add(-27 * time.Minute), Note: "10.20.0.14:502 doesn't answer: connection timed out. Check the drive's power and its network cable"},
		{Name: "fan", Title: "Aeration fan", Address: "10.20.0.15:502/1", State: capture.Idle, Reachable: true, LastSeen: morning, Note: "The recorder is idle. Arm it at the drive, or allow arming in the config"},
	}
	for _, d := range p.live.drives {
		must(p.store.Watched(ctx, d.Name, evening.Add(-48*time.Hour)))
	}
	must(p.store.Blind(ctx, "slew", evening.Add(-30*time.Hour), evening.Add(-30*time.Hour), capture.CauseNotArmed, "The recorder is idle"))
	must(p.store.Watched(ctx, "slew", evening.Add(-27*time.Hour)))
	must(p.store.Blind(ctx, "slew", evening.Add(-9*time.Hour), evening.Add(-9*time.Hour), capture.CauseNotRunning, "faultkeep was stopped"))
	must(p.store.Watched(ctx, "slew", evening.Add(-7*time.Hour)))
	must(p.store.Blind(ctx, "slew", evening.Add(-4*time.Hour), evening.Add(-4*time.Hour), capture.CauseNotArmed, "The recorder is idle"))
	must(p.store.Watched(ctx, "slew", evening.Add(-3*time.Hour)))
	must(p.store.Drifted(ctx, store.Entry{Time: evening.Add(-2 * time.Hour), Drive: "slew", Text: "The sample interval is 2 ms, wanted 1 ms."}))
	must(p.store.AsWanted(ctx, "slew", evening.Add(2*time.Hour)))
	must(p.store.Miss(ctx, capture.Miss{Time: evening.Add(-8 * time.Hour), Drive: "slew", Fault: following, Cause: capture.CauseNotRunning}, capture.Warning))
	must(p.store.Blind(ctx, "slew", on(3, 2, 0), on(3, 2, 1), capture.CauseUnreachable, "10.20.0.14:502 doesn't answer"))
	must(p.store.Watched(ctx, "slew", on(3, 11, 0)))
	must(p.store.Blind(ctx, "slew", on(6, 13, 0), on(6, 13, 1), capture.CauseUnreachable, "10.20.0.14:502 doesn't answer: connection timed out"))
	must(p.store.Blind(ctx, "fan", on(6, 30, 0), on(6, 30, 1), capture.CauseNotArmed, "The recorder is idle and arming isn't allowed"))
	must(p.store.Miss(ctx, capture.Miss{Time: on(2, 20, 4), Drive: "belt-2", Title: "Belt 2", Fault: undervoltage, Cause: capture.CauseNotReady,
		Text: "Missed: reset 0.3 s after it was ready; a pull takes 1.1 s", Advice: "Hold the reset back 2 s or allow 4 connections"}, capture.Warning))
	c1, d1 := trip("elevator", "Bucket elevator", on(3, 12, 7), overcurrent, "jam")
	c2, d2 := trip("belt-3", "Belt 3", on(1, 47, 31), undervoltage, "dip")
	c3, d3 := trip("slew", "Loader slew", evening.Add(4*time.Hour+3*time.Second), following, "hunting")
	c4, d4 := trip("elevator", "Bucket elevator", evening.Add(-30*time.Hour), overcurrent, "jam")
	kept := []capture.Capture{p.keep(t, c1, d1, 0), p.keep(t, c2, d2, 800), p.keep(t, c3, d3, 0), p.keep(t, c4, d4, 0)}
	for _, c := range kept {
		_, err := pages.Analyse(ctx, c.ID, oslo)
		must(err)
	}
	p.now = morning
	return kept
}

// archivePages decodes a capture straight from the store.
func archivePages(p *plant, c capture.Capture) (capture.Capture, []capture.Series, error) {
	return p.store.Samples(context.Background(), c.ID)
}
