package store_test

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	bolt "go.etcd.io/bbolt"
	"pgregory.net/rapid"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/coverage"
	"faultkeep/store/storetest"
)

// watched is how a drive was watched over a period, in words: state and seconds.
func watched(t *testing.T, s *store.Store, drive string, from, to float64) (out []string) {
	t.Helper()
	for _, f := range must[[]coverage.Facts](t)(s.Facts(ctx, store.Query{Drives: []string{drive}, Since: at(from), Until: at(to)})) {
		for _, i := range f.Over(at(from), at(to)).Intervals {
			out = append(out, fmt.Sprintf("%s %g–%g", i.State, i.From.Sub(storetest.Night).Seconds(), i.To.Sub(storetest.Night).Seconds()))
		}
	}
	return out
}

func steps(t *testing.T, errs ...error) {
	t.Helper()
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
}

func same(t *testing.T, what string, want, got []string) {
	t.Helper()
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", what, diff)
	}
}

// A drive is counted from when it was first watched, and while it is in the config.
func TestADriveIsCountedWhileItIsKnown(t *testing.T) {
	s := storetest.New(t, storetest.Now(func() time.Time { return at(1000) }))
	both, one := []string{"elevator", "slew"}, []string{"elevator"}
	steps(t, s.Beat(ctx, both, at(0)), s.Watched(ctx, "elevator", at(10)), s.Blind(ctx, "slew", at(20), at(25), capture.CauseUnreachable, ""))
	same(t, "elevator", []string{"not known 0–10", "watched 10–50"}, watched(t, s, "elevator", 0, 50))
	same(t, "slew", []string{"not known 0–20", "unreachable 20–50"}, watched(t, s, "slew", 0, 50))
	steps(t, s.Beat(ctx, one, at(60)), s.Beat(ctx, one, at(120)))
	s = reopen(t, s, storetest.Now(func() time.Time { return at(1000) }))
	steps(t, s.Beat(ctx, both, at(1001)), s.Watched(ctx, "elevator", at(1001)), s.Watched(ctx, "slew", at(1002)))
	same(t, "slew, taken out and put back", []string{"not known 0–20", "unreachable 20–60", "not known 60–1000"}, watched(t, s, "slew", 0, 1000))
	if got := must[[]coverage.Facts](t)(s.Facts(ctx, store.Query{Drives: []string{"nobody"}})); len(got) != 0 {
		t.Errorf("facts of a drive that never was: %v", got)
	}
}

// Whoever reads the file of a faultkeep that died sees when it died.
func TestFactsOfADeadFaultkeep(t *testing.T) {
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	s := storetest.New(t, storetest.Now(func() time.Time { return at(100) }))
	steps(t, s.Beat(ctx, []string{"elevator", "slew"}, at(0)), s.Watched(ctx, "elevator", at(0)), s.Watched(ctx, "slew", at(0)),
		s.Blind(ctx, "slew", at(30), at(31), capture.CauseNotArmed, ""))
	duplicate(t, s.Path(), path)
	dead, err := store.Open(ctx, store.Options{Path: path, ReadOnly: true, Now: func() time.Time { return at(500) }})
	if err != nil {
		t.Fatal(err)
	}
	defer dead.Close()
	// The blind spell, written after the last beat, is a sign of life of its own.
	same(t, "elevator", []string{"watched 0–30", "not running 30–500", "not known 500–600"}, watched(t, dead, "elevator", 0, 600))
	same(t, "slew", []string{"watched 0–30", "not running 30–500", "not known 500–600"}, watched(t, dead, "slew", 0, 600))
	same(t, "slew, alive", []string{"watched 0–30", "not armed 30–100"}, watched(t, s, "slew", 0, 100))
}

func duplicate(t *testing.T, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	out, err := os.Create(to)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(out, in); err != nil {
		t.Fatal(err)
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestDrift(t *testing.T) {
	now := storetest.Now(func() time.Time { return at(100) })
	s := storetest.New(t, now, storetest.To("log"))
	say := func(when float64, text string) error {
		return s.Drifted(ctx, store.Entry{Time: at(when), Drive: "slew", Text: text}, capture.Alert{Kind: capture.KindDrift, Text: text})
	}
	steps(t, s.Watched(ctx, "slew", at(0)), s.AsWanted(ctx, "slew", at(1)), say(10, "2 ms"), say(20, "2 ms"))
	s = reopen(t, s, now, storetest.To("log")) // a restart tells nobody a second time
	steps(t, say(30, "2 ms"), say(40, "4 ms"), s.Watched(ctx, "slew", at(45)), s.AsWanted(ctx, "slew", at(50)), s.AsWanted(ctx, "slew", at(60)), say(90, "2 ms"))
	var got []string
	for _, d := range must[[]coverage.Facts](t)(s.Facts(ctx, store.Query{}))[0].Over(at(0), at(100)).Drifts {
		got = append(got, fmt.Sprintf("%s %g–%g %v", d.Text, d.From.Sub(storetest.Night).Seconds(), d.To.Sub(storetest.Night).Seconds(), d.Open))
	}
	same(t, "drifts", []string{"2 ms 10–40 false", "4 ms 40–50 false", "2 ms 90–100 true"}, got)
	var lines []string
	for _, e := range must[[]store.Entry](t)(s.Ledger(ctx, store.Query{})) {
		lines = append(lines, e.Kind+" "+e.Text)
	}
	same(t, "ledger", []string{"drift 2 ms", "as wanted The recorder's settings are as wanted again.", "drift 4 ms", "drift 2 ms"}, lines)
	if box := must[[]store.Message](t)(s.Outbox(ctx, "log", 0)); len(box) != 3 {
		t.Errorf("%d alerts, want 3", len(box))
	}
	if spells := must[[]capture.Spell](t)(s.Spells(ctx, store.Query{})); len(spells) != 0 {
		t.Errorf("a drift passes for a blind spell: %v", spells)
	}
}

// The clock is set back by 1,000 s in a blind spell, and later ahead by 2,000 s.
func TestTheClockIsSet(t *testing.T) {
	s := storetest.New(t, storetest.Now(func() time.Time { return at(4000) }), storetest.To("log"))
	steps(t, s.Watched(ctx, "slew", at(1000)), s.Watched(ctx, "fan", at(1000)),
		s.Blind(ctx, "slew", at(1100), at(1101), capture.CauseUnreachable, "no answer"),
		s.Jumped(ctx, at(1200), at(200), "The clock was set back.", capture.Alert{Kind: capture.KindClock, Text: "The clock was set back."}),
		s.Watched(ctx, "slew", at(300)),
		s.Jumped(ctx, at(500), at(2500), "The clock was set ahead."))
	same(t, "slew", []string{"not known 100–200", "unreachable 200–300", "watched 300–500", "not known 500–1000", "watched 1000–1100", "unreachable 1100–1200",
		"not known 1200–2500", "watched 2500–2600"}, watched(t, s, "slew", 100, 2600))
	if got := must[[]capture.Spell](t)(s.Spells(ctx, store.Query{})); len(got) != 2 || !got[1].From.Equal(at(200)) || !got[1].To.Equal(at(300)) || !got[0].To.Equal(at(1200)) || got[1].Text != "no answer" {
		t.Errorf("spells %v", got)
	}
	if box := must[[]store.Message](t)(s.Outbox(ctx, "log", 0)); len(box) != 1 || box[0].Alert.Kind != capture.KindClock {
		t.Errorf("alerts %v", box)
	}
	if e := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Kinds: []string{store.KindClockJump}})); len(e) != 2 || !e[0].Time.Equal(at(2500)) {
		t.Errorf("entries %v", e)
	}
}

// A PC without a battery begins in a year long past until the network tells it
// the time. The decades that its clock then skips aren't claimed as watched.
func TestSkippedTimeIsNotClaimed(t *testing.T) {
	s := storetest.New(t, storetest.Now(func() time.Time { return at(100) }))
	old := at(-30 * 365 * 86400)
	steps(t, s.Beat(ctx, []string{"slew"}, old), s.Watched(ctx, "slew", old), s.Jumped(ctx, old.Add(20*time.Second), at(0), "The clock was set ahead."))
	c := must[[]coverage.Facts](t)(s.Facts(ctx, store.Query{}))[0].Over(time.Time{}, time.Time{})
	if got := c.Total(coverage.Watched); got != 120*time.Second {
		t.Errorf("watched %v, want 120 s", got)
	}
}

// The clock was set back while faultkeep was not running.
func TestSetBackWhileNotRunning(t *testing.T) {
	now := at(1000)
	clock := storetest.Now(func() time.Time { return now })
	s := storetest.New(t, clock)
	steps(t, s.Beat(ctx, []string{"slew", "fan"}, at(0)), s.Watched(ctx, "slew", at(0)), s.Watched(ctx, "fan", at(0)),
		s.Blind(ctx, "fan", at(990), at(991), capture.CauseUnreachable, ""))
	s = reopen(t, s, clock)
	now = at(400)
	s = reopen(t, s, clock)
	steps(t, s.Watched(ctx, "slew", at(403)), s.Watched(ctx, "fan", at(404)))
	got := must[[]capture.Spell](t)(s.Spells(ctx, store.Query{}))
	for i := range got {
		got[i].Text = ""
	}
	want := []capture.Spell{spell("fan", 990, 1000, capture.CauseUnreachable, ""), spell("fan", 400, 404, capture.CauseNotRunning, ""), spell("slew", 400, 403, capture.CauseNotRunning, "")}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("spells (-want +got):\n%s", diff)
	}
	if e := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Kinds: []string{store.KindClockJump}})); len(e) != 1 {
		t.Errorf("the ledger says %v", e)
	}
}

// Whatever happens, with a clock that runs as it likes: ended spells neither
// overlap nor run backwards, at most one is open, and every period adds up.
func TestAnyCourseOfEvents(t *testing.T) {
	dir := t.TempDir()
	round := 0
	rapid.Check(t, func(rt *rapid.T) {
		round++
		path := filepath.Join(dir, fmt.Sprintf("%d.db", round))
		now := 1000.0
		var s *store.Store
		open := func() {
			var err error
			if s, err = store.Open(ctx, store.Options{Path: path, Now: func() time.Time { return at(now) }}); err != nil {
				rt.Fatal(err)
			}
		}
		open()
		defer func() { _ = s.Close(); os.Remove(path) }()
		drives := []string{"a", "\x01", "\u202eslew", "known"}
		for range rapid.IntRange(1, 25).Draw(rt, "steps") {
			now += float64(rapid.IntRange(0, 50).Draw(rt, "later"))
			d := rapid.SampledFrom(drives).Draw(rt, "drive")
			var err error
			switch rapid.IntRange(0, 8).Draw(rt, "what") {
			case 0, 1:
				err = s.Watched(ctx, d, at(now))
			case 2, 3:
				err = s.Blind(ctx, d, at(now-float64(rapid.IntRange(-5, 60).Draw(rt, "since"))), at(now), rapid.SampledFrom([]capture.Cause{capture.CauseNotArmed, capture.CauseUnreachable}).Draw(rt, "cause"), "")
			case 4:
				err = s.Beat(ctx, drives[:rapid.IntRange(0, 4).Draw(rt, "in the config")], at(now))
			case 5:
				was := now
				now += float64(rapid.IntRange(-300, 300).Draw(rt, "set by"))
				if rapid.Bool().Draw(rt, "noticed") {
					err = s.Jumped(ctx, at(was), at(now), "")
				}
			case 6:
				err = s.Drifted(ctx, store.Entry{Time: at(now), Drive: d, Text: fmt.Sprint(rapid.IntRange(0, 1).Draw(rt, "text"))})
			case 7:
				err = s.AsWanted(ctx, d, at(now))
			case 8:
				err = s.Close()
				now += float64(rapid.IntRange(-100, 200).Draw(rt, "off"))
				open()
			}
			if err != nil {
				rt.Fatal(err)
			}
		}
		facts, err := s.Facts(ctx, store.Query{})
		if err != nil {
			rt.Fatal(err)
		}
		for _, f := range facts {
			for _, list := range [][]capture.Spell{f.Known, f.Blind, f.Drift} {
				orderly(rt, list)
			}
			c := f.Over(at(0), at(2000))
			var sum time.Duration
			for _, st := range coverage.States {
				sum += c.Total(st)
			}
			if sum != 2000*time.Second {
				rt.Fatalf("%v adds up to %v", c, sum)
			}
		}
		if r, err := s.Verify(ctx, nil); err != nil || !r.OK() {
			rt.Fatal(r, err)
		}
	})
}

func orderly(t *rapid.T, newestFirst []capture.Spell) {
	open, last := 0, time.Time{}
	for _, sp := range newestFirst {
		if sp.To.IsZero() {
			open++
			continue
		}
		if !sp.To.After(sp.From) || !last.IsZero() && sp.To.After(last) {
			t.Fatalf("spells %v", newestFirst)
		}
		last = sp.From
	}
	if open > 1 {
		t.Fatalf("%d open spells", open)
	}
}

// A year of a blind spell a day stays small: the file grows by what is told.
func TestAYearOfSpellsIsSmall(t *testing.T) {
	if testing.Short() {
		t.Skip("thousands of commits")
	}
	const drives, days = 20, 60
	s := storetest.New(t)
	for day := range days {
		for d := range drives {
			name := fmt.Sprintf("conveyor-%02d", d)
			begin := float64(day*86400 + d)
			steps(t, s.Watched(ctx, name, at(begin)), s.Blind(ctx, name, at(begin+100), at(begin+101), capture.CauseUnreachable, "10.20.0.14:502 doesn't answer: connection timed out. Check the drive's power and its network cable"))
		}
	}
	path := s.Path()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	db := storetest.Raw(t, path)
	defer db.Close()
	var stats bolt.BucketStats
	if err := db.View(func(tx *bolt.Tx) error {
		stats = tx.Bucket([]byte("spells")).Stats()
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	each, paged := stats.LeafInuse/(drives*days), (stats.LeafAlloc+stats.BranchAlloc)/(drives*days)
	t.Logf("%d bytes a spell, %d with its share of pages; 100 drives with one a day: %.1f MB a year", each, paged, float64(paged*100*365)/1e6)
	if paged > 1000 {
		t.Errorf("a spell takes %d bytes", paged)
	}
}
