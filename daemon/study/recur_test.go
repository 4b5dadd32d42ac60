package study_test

import (
	"slices"
	"testing"
	"time"

	"faultkeep/daemon/study"
	"faultkeep/daemon/web/wire"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// plant is a store of a drive watched for 10 days, and not for 2 of them, in
// which it tripped, once unseen and once missed.
func plant(t *testing.T) (*study.Desk, *store.Store) {
	t.Helper()
	now := storetest.Night
	s := storetest.New(t, storetest.Now(func() time.Time { return now }))
	day := func(d float64) time.Time { return storetest.Night.Add(time.Duration(d * 24 * float64(time.Hour))) }
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(s.Watched(ctx, "elevator", day(0)))
	must(s.Watched(ctx, "fan", day(0)))
	for _, d := range []float64{1, 2.5, 7} {
		now = day(d)
		if d == 7 {
			now = day(6)
			must(s.Blind(ctx, "elevator", day(4), day(4), capture.CauseUnreachable, "no answer"))
			must(s.Watched(ctx, "elevator", day(6)))
			now = day(7)
		}
		storetest.Keep(t, s, "elevator", int(d*24*60), 2, 100)
	}
	now = day(5)
	must(s.Miss(ctx, capture.Miss{Time: day(5), Drive: "elevator", Fault: capture.Fault{Code: 0x2311, Shown: "2311"}, Cause: capture.CauseUnreachable}, capture.Warning))
	c, data := storetest.Recording("elevator", 5*24*60, 2, 100) // the trace of the miss: of the same trip
	c.Origin, c.ID = capture.Trace, c.ID.TraceID()
	d, err := s.Draft(ctx, c)
	must(err)
	_, err = d.Keep(ctx, c, storetest.Chunk(data, 0, len(data)))
	must(err)
	now = day(8)
	must(s.Miss(ctx, capture.Miss{Time: day(8), Drive: "elevator", Fault: capture.Fault{Code: 0x3221, Shown: "3221", Name: "DC link undervoltage 1"}, Cause: capture.CauseReset}, capture.Warning))
	now = day(10)
	must(s.AddRepair(ctx, capture.Repair{Drive: "elevator", At: day(7.5), Note: "scraper replaced", Fault: "2311"}))
	must(s.AddRepair(ctx, capture.Repair{Drive: "elevator", At: day(3), Note: "lubricated"}))
	return study.New(s), s
}

func TestRecurrences(t *testing.T) {
	d, _ := plant(t)
	all, err := d.Recurrences(ctx, wire.Query{})
	if err != nil {
		t.Fatal(err)
	}
	var said []string
	for _, r := range all {
		said = append(said, r.Drive+" "+r.Fault)
	}
	want := []string{"elevator ", "elevator Continuous overcurrent, output 1 (2311)", "elevator DC link undervoltage 1 (3221)", "fan "}
	if !slices.Equal(said, want) {
		t.Fatalf("%q", said)
	}
	drive, code, other, quiet := all[0], all[1], all[2], all[3]
	// Arithmetic: 10 days less 2 unwatched; 5 trips, of which one came unwatched.
	if drive.Events != 4 || drive.Outside != 1 || drive.Watched == nil || !near(drive.Report.Watched, 8) || len(drive.Trips) != 5 {
		t.Errorf("%+v", drive.Report)
	}
	if code.Events != 3 || code.Outside != 1 || other.Events != 1 || quiet.Events != 0 || !near(quiet.Report.Watched, 10) {
		t.Errorf("%+v %+v %+v", code.Report, other.Report, quiet.Report)
	}
	// A miss has no capture; the others have theirs.
	for _, trip := range drive.Trips {
		if trip.Capture == "" != (trip.Time.Equal(storetest.Night.Add(5*24*time.Hour)) || trip.Time.Equal(storetest.Night.Add(8*24*time.Hour))) {
			t.Errorf("%+v", trip)
		}
	}
	// A repair against any fault counts for the whole and every code, one
	// against a code for that code alone; the time before it begins with the
	// repair before it.
	notes := func(r wire.Recurrence) (out []string) {
		for _, one := range r.Repairs {
			out = append(out, one.Note)
		}
		return out
	}
	if !slices.Equal(notes(drive), []string{"lubricated"}) || !slices.Equal(notes(code), []string{"lubricated", "scraper replaced"}) || !slices.Equal(notes(other), []string{"lubricated"}) {
		t.Errorf("%q %q %q", notes(drive), notes(code), notes(other))
	}
	last := code.Repairs[1].Judged // from day 3 to 7.5, of which 2 days were not watched; then to day 10
	if !near(last.DaysBefore, 2.5) || !near(last.DaysAfter, 2.5) || last.EventsBefore != 1 || last.EventsAfter != 0 {
		t.Errorf("%+v", last)
	}

	for name, x := range map[string]struct {
		q    wire.Query
		want []string
	}{
		"a drive":          {wire.Query{Drive: "fan"}, []string{"fan "}},
		"a fault":          {wire.Query{Fault: "3221"}, []string{"elevator DC link undervoltage 1 (3221)"}},
		"nobody":           {wire.Query{Drive: "nobody"}, nil},
		"a quiet period":   {wire.Query{Since: storetest.Night.Add(9 * 24 * time.Hour)}, []string{"elevator ", "fan "}},
		"a drive's faults": {wire.Query{Drive: "elevator", Fault: "9999"}, nil},
	} {
		list, err := d.Recurrences(ctx, x.q)
		if err != nil {
			t.Fatal(err)
		}
		var said []string
		for _, r := range list {
			said = append(said, r.Drive+" "+r.Fault)
		}
		if !slices.Equal(said, x.want) {
			t.Errorf("%s: %q, want %q", name, said, x.want)
		}
	}
}

// near tells numbers apart by more than the second to which repairs are kept.
func near(a, b float64) bool { return a-b < 1e-4 && b-a < 1e-4 }
