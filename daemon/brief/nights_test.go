package brief_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/brief"
	"faultkeep/daemon/web"
	"faultkeep/daemon/web/wire"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

var ctx = context.Background()

func oslo(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// plant is Northquay with a real store and a clock that is set by hand.
type plant struct {
	*archive.Kept
	t      testing.TB
	store  *store.Store
	now    time.Time
	zone   *time.Location
	began  time.Time
	drives []web.DriveNow
	found  map[capture.ID]string // what moved first
	stands func(*wire.Standing)
	off    bool // faultkeep doesn't run
	alike  bool // what has the same drive and fault is of one family
}

var (
	overcurrent  = capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1", Class: capture.ClassCurrent, Severity: capture.Alarm}
	undervoltage = capture.Fault{Code: 0x3221, Shown: "3221", Name: "DC link undervoltage 1", Class: capture.ClassVoltage, Severity: capture.Alarm}
)

// newPlant has watched its drives since the first of November.
func newPlant(t testing.TB) *plant {
	t.Helper()
	p := &plant{t: t, zone: oslo(t), found: map[capture.ID]string{}}
	p.began = time.Date(2026, 11, 1, 6, 0, 0, 0, p.zone)
	p.now = p.began
	p.store = storetest.New(t, storetest.Now(func() time.Time { return p.now }), storetest.To("control-room"))
	p.Kept = archive.Pages(p.store)
	for _, d := range [][2]string{{"bucket-elevator", "Bucket elevator"}, {"belt-3", "Belt conveyor 3"}, {"loader-slew", "Loader slew"}} {
		p.drives = append(p.drives, web.DriveNow{Name: d[0], Title: d[1], State: capture.Armed, Reachable: true, Watched: true})
	}
	p.at("1 06:00")
	for _, d := range p.drives {
		p.must(p.store.Watched(ctx, d.Name, p.now))
	}
	return p
}

func (p *plant) names() (out []string) {
	for _, d := range p.drives {
		out = append(out, d.Name)
	}
	return out
}

// at sets the clock to a time of November 2026, such as "25 03:12:07", all
// drives being watched until then.
func (p *plant) at(text string) time.Time {
	p.t.Helper()
	layout := "2 15:04"
	if len(text) > 8 {
		layout = "2 15:04:05"
	}
	t, err := time.Parse(layout, text)
	if err != nil {
		p.t.Fatal(err)
	}
	p.now = time.Date(2026, 11, t.Day(), t.Hour(), t.Minute(), t.Second(), 0, p.zone)
	p.must(p.store.Beat(ctx, p.names(), p.now))
	return p.now
}

func (p *plant) must(err error) {
	p.t.Helper()
	if err != nil {
		p.t.Fatal(err)
	}
}

// trips keeps a recording of the drive at each of these times, whole or in part.
func (p *plant) trips(drive string, fault capture.Fault, whole bool, first string, times ...string) {
	p.t.Helper()
	for _, text := range times {
		at := p.at(text)
		c, data := storetest.Recording(drive, int(at.Unix()%100000), 3, 400)
		c.Fault, c.Trigger.Time = fault, at
		for _, d := range p.drives {
			if d.Name == drive {
				c.Title = d.Title
			}
		}
		c.ID = capture.NewID(at, drive, c.Provenance.Identity)
		from, to := 0, len(data)
		if !whole {
			from, to = 600, 2000
			c.Integrity = capture.Integrity{Size: c.Integrity.Size, Why: "The drive was reset when 58 % was read"}
		}
		d, err := p.store.Draft(ctx, c)
		p.must(err)
		kept, err := d.Keep(ctx, c, storetest.Chunk(data, from, to))
		p.must(err)
		p.found[kept.ID] = first
	}
}

func (p *plant) blind(drive, from, to string, cause capture.Cause, text string) {
	p.t.Helper()
	began := p.at(from)
	p.must(p.store.Blind(ctx, drive, began, began, cause, text))
	if to != "" {
		p.must(p.store.Watched(ctx, drive, p.at(to)))
	}
}

// Study has canned findings: what is found in captures is the analyses' matter.
func (p *plant) Study(_ context.Context, id capture.ID, _ *time.Location) (capture.Study, error) {
	if p.found[id] == "" {
		return capture.Study{}, nil
	}
	return capture.Study{Version: 1, Findings: []capture.Finding{{Kind: capture.FindingFirstMover, Text: p.found[id]}}}, nil
}

// Standing has no figures that differ from machine to machine.
func (p *plant) Standing(ctx context.Context, since time.Time) (wire.Standing, error) {
	s, err := p.Kept.Standing(ctx, since)
	s.Now, s.Store.Used, s.Store.Free, s.Undelivered, s.Alarms = p.now, 812<<20, 23<<30, nil, 0
	if !p.off {
		s = web.Stands(s, "Northquay grain terminal", p.drives)
	}
	if p.stands != nil {
		p.stands(&s)
	}
	return s, err
}

// Recurrences have families, which likeness finds only in recordings of real trips.
func (p *plant) Recurrences(ctx context.Context, q wire.Query) ([]wire.Recurrence, error) {
	list, err := p.Kept.Recurrences(ctx, q)
	for _, r := range list {
		if p.alike && r.Fault != "" && len(r.Trips) > 2 {
			r.Family, r.Trips = "5ym6", r.Trips[1:] // all but the first
			list = append(list, r)
		}
	}
	return list, err
}

// brief is that of the day up to a time of November.
func (p *plant) brief(from, to string) brief.Brief {
	p.t.Helper()
	until := p.at(to)
	return p.gather(from, until)
}

func (p *plant) gather(from string, until time.Time) brief.Brief {
	p.t.Helper()
	t, err := time.Parse("2 15:04", from)
	p.must(err)
	b, err := brief.Gather(ctx, p, brief.Options{From: time.Date(2026, 11, t.Day(), t.Hour(), t.Minute(), 0, 0, p.zone), To: until, Zone: p.zone, Site: "Northquay grain terminal",
		Titles: map[string]string{"bucket-elevator": "Bucket elevator", "belt-3": "Belt conveyor 3", "loader-slew": "Loader slew"}})
	p.must(err)
	return b
}

// nights are what the golden briefs tell of.
var nights = map[string]func(p *plant) brief.Brief{
	"quiet": func(p *plant) brief.Brief {
		p.blind("loader-slew", "25 22:00", "25 22:03", capture.CauseUnreachable, "no answer")
		return p.brief("25 06:00", "26 06:00")
	},
	"trip": func(p *plant) brief.Brief {
		p.alike = true
		p.trips("bucket-elevator", overcurrent, true, "Current rose first.", "3 02:11:09", "9 03:05:30", "17 03:09:12", "21 02:58:01", "24 03:15:44")
		p.trips("bucket-elevator", overcurrent, true, "Current rose first, 41 ms before the trip.", "26 03:12:07")
		return p.brief("25 06:00", "26 06:00")
	},
	"chattering": func(p *plant) brief.Brief {
		p.trips("loader-slew", overcurrent, true, "Position error grew first, 0.6 s before the trip.", "25 19:40:12")
		var times []string
		for i := range 14 {
			times = append(times, fmt.Sprintf("26 0%d:%02d:%02d", 1+i/5, i%5*11, 3*i))
		}
		p.trips("belt-3", undervoltage, true, "DC link fell first, 12 ms before the trip.", times[:12]...)
		p.trips("belt-3", undervoltage, false, "", times[12:]...)
		p.trips("bucket-elevator", overcurrent, true, "Current rose first, 38 ms before the trip.", "26 04:31:55")
		return p.brief("25 06:00", "26 06:00")
	},
	"missed": func(p *plant) brief.Brief {
		p.trips("bucket-elevator", overcurrent, false, "Current rose first, 41 ms before the trip.", "25 23:10:00")
		p.blind("loader-slew", "26 03:02", "26 03:11", capture.CauseUnreachable, "no answer")
		p.must(p.store.Miss(ctx, capture.Miss{Time: p.at("26 03:40:02"), Drive: "belt-3", Title: "Belt conveyor 3", Fault: undervoltage, Cause: capture.CauseReset,
			Text: "Missed: reset 0.3 s after it was ready; a pull takes 1.1 s", Advice: "Hold the reset back 2 s or allow 4 connections"}, capture.Alarm))
		p.blind("loader-slew", "26 04:30", "", capture.CauseNotArmed, "idle")
		for i := range p.drives {
			d := &p.drives[i]
			switch d.Name {
			case "loader-slew":
				d.Watched, d.Note = false, "The recorder isn't armed. Arm it at the drive, or allow arming in the config."
			case "belt-3":
				d.Figures = web.Race{Need: 1700 * time.Millisecond, Survived: 1400 * time.Millisecond, Advice: "Hold the reset back 0.3 s more, or allow 4 connections."}
			case "bucket-elevator":
				d.Figures = web.Race{Need: 1700 * time.Millisecond, ResetAfter: 2 * time.Second}
			}
		}
		p.must(p.store.Note(ctx, store.Entry{Time: p.now, Kind: store.KindClockUnsure, Text: "This computer's clock isn't synchronised"}))
		p.stands = func(s *wire.Standing) {
			s.Undelivered = []wire.Undelivered{{Sink: "control-room", Waiting: 3, Since: p.now.Add(-2 * time.Hour), Why: "connection refused"}}
			s.Store.Low, s.Store.Free, s.Alarms = true, 700<<20, 2
		}
		return p.brief("25 06:00", "26 06:00")
	},
	"unwatched": func(p *plant) brief.Brief {
		p.at("25 05:00")
		path := p.store.Path()
		p.must(p.store.Close())
		p.now, p.off = time.Date(2026, 11, 26, 6, 0, 0, 0, p.zone), true
		s, err := store.Open(ctx, store.Options{Path: path, ReadOnly: true, Now: func() time.Time { return p.now }})
		p.must(err)
		defer s.Close()
		p.Kept = archive.Pages(s)
		return p.gather("25 06:00", p.now)
	},
	"proof": func(p *plant) brief.Brief {
		p.trips("bucket-elevator", overcurrent, true, "Current rose first.", "3 02:11:09", "6 03:05:30", "9 03:09:12", "12 02:58:01", "15 03:15:44")
		p.must(p.store.AddRepair(ctx, capture.Repair{Drive: "bucket-elevator", At: p.at("16 13:00"), Note: "scraper replaced", Fault: "2311"}))
		return p.brief("25 06:00", "26 06:00")
	},
	"week": func(p *plant) brief.Brief {
		p.trips("bucket-elevator", overcurrent, true, "Current rose first.", "20 02:11:09", "23 03:05:30")
		p.trips("loader-slew", undervoltage, true, "DC link fell first.", "22 12:00:00")
		p.trips("belt-3", undervoltage, true, "", "24 14:00:00")
		return p.brief("19 06:00", "26 06:00")
	},
}
