package store_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

var overcurrent = capture.Fault{Code: 0x2311, Shown: "2311", Name: "Continuous overcurrent, output 1", Severity: capture.Alarm}

func TestMissIsToldOnce(t *testing.T) {
	s := storetest.New(t, storetest.To("log"))
	m := capture.Miss{Time: storetest.Night, Drive: "elevator", Title: "Bucket elevator", Fault: overcurrent, Cause: capture.CauseReset,
		Text:   "Missed: reset 0.3 s after it was ready; a pull takes 1.1 s",
		Advice: "Hold the reset back 2 s or allow 4 connections"}
	for range 3 {
		if err := s.Miss(ctx, m, capture.Alarm); err != nil {
			t.Fatal(err)
		}
	}
	other := m
	other.Fault = capture.Fault{Code: 7, Shown: "F07"}
	if err := s.Miss(ctx, other, ""); err != nil { // at the same moment, and yet another
		t.Fatal(err)
	}
	misses := must[[]capture.Miss](t)(s.Misses(ctx, store.Query{}))
	if diff := cmp.Diff([]capture.Miss{other, m}, misses); diff != "" {
		t.Errorf("misses (-want +got):\n%s", diff)
	}
	if got := must[[]capture.Miss](t)(s.Misses(ctx, store.Query{Fault: "2311", Drives: []string{"elevator"}})); len(got) != 1 {
		t.Errorf("%d misses with that fault, want 1", len(got))
	}
	box := must[[]store.Message](t)(s.Outbox(ctx, "log", 0))
	if len(box) != 2 {
		t.Fatalf("%d alerts, want 2", len(box))
	}
	want := "Bucket elevator tripped: Continuous overcurrent, output 1 (2311). Missed: reset 0.3 s after it was ready; a pull takes 1.1 s. Hold the reset back 2 s or allow 4 connections."
	if a := box[0].Alert; a.Text != want || a.Kind != capture.KindMiss || a.Severity != capture.Alarm || a.Site != "Northquay" || a.ID == "" || a.Drive != "elevator" {
		t.Errorf("alert %+v", a)
	}
	if entries := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Kinds: []string{store.KindMissed}})); len(entries) != 2 {
		t.Errorf("%d ledger entries, want 2", len(entries))
	}
}

func TestNoteAndLedger(t *testing.T) {
	s := storetest.New(t, storetest.To("log"))
	var want []store.Entry
	for i := range 2500 { // more than are read in one transaction
		e := store.Entry{Time: storetest.Night.Add(time.Duration(i) * time.Second), Drive: fmt.Sprint("drive ", i%2), Kind: "tripped", Text: fmt.Sprint(i)}
		if i < 3 || i > 2400 {
			want = append([]store.Entry{e}, want...)
			if err := s.Note(ctx, e); err != nil {
				t.Fatal(err)
			}
		}
	}
	if diff := cmp.Diff(want, must[[]store.Entry](t)(s.Ledger(ctx, store.Query{}))); diff != "" {
		t.Errorf("all (-want +got):\n%s", diff)
	}
	q := store.Query{Since: want[5].Time, Until: want[0].Time}
	if diff := cmp.Diff(want[1:6], must[[]store.Entry](t)(s.Ledger(ctx, q))); diff != "" {
		t.Errorf("between (-want +got):\n%s", diff)
	}
	if got := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Drives: []string{"drive 1"}, Kinds: []string{"tripped", "wrote"}, Limit: 2})); len(got) != 2 || got[0].Drive != "drive 1" {
		t.Errorf("the newest two of a drive: %v", got)
	}
	drift := store.Entry{Time: storetest.Night, Drive: "elevator", Kind: "drift", Text: "The sample interval is 2 ms, wanted 1 ms."}
	alert := capture.Alert{Kind: capture.KindDrift, Severity: capture.Warning, Text: drift.Text}
	for range 2 {
		if err := s.Note(ctx, drift, alert); err != nil {
			t.Fatal(err)
		}
	}
	box := must[[]store.Message](t)(s.Outbox(ctx, "log", 0))
	if len(box) != 1 || box[0].Alert.Drive != "elevator" || box[0].Alert.ID == "" || !box[0].Alert.Time.Equal(drift.Time) {
		t.Errorf("the alert noted with it: %+v", box)
	}
}

func at(seconds float64) time.Time {
	return storetest.Night.Add(time.Duration(seconds * float64(time.Second)))
}

func spell(drive string, from, to float64, cause capture.Cause, text string) capture.Spell {
	sp := capture.Spell{Drive: drive, From: at(from), Cause: cause, Text: text}
	if to > 0 {
		sp.To = at(to)
	}
	return sp
}

func TestSpells(t *testing.T) {
	s := storetest.New(t)
	step := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	step(s.Watched(ctx, "slew", at(0)))
	step(s.Blind(ctx, "slew", at(10), at(12), capture.CauseUnreachable, "no answer"))
	step(s.Blind(ctx, "slew", at(10), at(14), capture.CauseUnreachable, "still no answer")) // nothing new
	step(s.Blind(ctx, "slew", at(10), at(20), capture.CauseNotArmed, "idle"))
	step(s.Watched(ctx, "slew", at(30)))
	step(s.Watched(ctx, "slew", at(31)))
	step(s.Blind(ctx, "slew", at(25), at(40), capture.CauseUnreachable, "again")) // since reaches into the last spell
	step(s.Blind(ctx, "belt", time.Time{}, at(50), capture.CauseRefused, ""))     // never watched
	want := []capture.Spell{
		spell("belt", 50, 0, capture.CauseRefused, ""),
		spell("slew", 30, 0, capture.CauseUnreachable, "again"),
		spell("slew", 20, 30, capture.CauseNotArmed, "idle"),
		spell("slew", 10, 20, capture.CauseUnreachable, "no answer"),
	}
	if diff := cmp.Diff(want, must[[]capture.Spell](t)(s.Spells(ctx, store.Query{}))); diff != "" {
		t.Errorf("spells (-want +got):\n%s", diff)
	}
	for name, c := range map[string]struct {
		q    store.Query
		want []capture.Spell
	}{
		"overlapping the end of one": {store.Query{Since: at(19), Until: at(20)}, want[3:4]},
		"touching":                   {store.Query{Since: at(20), Until: at(30)}, want[2:3]},
		"an open one":                {store.Query{Since: at(1000)}, want[:2]},
		"before all":                 {store.Query{Until: at(10)}, nil},
		"one drive":                  {store.Query{Drives: []string{"belt"}}, want[:1]},
		"the newest":                 {store.Query{Limit: 1}, want[:1]},
	} {
		if diff := cmp.Diff(c.want, must[[]capture.Spell](t)(s.Spells(ctx, c.q))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// The time between the last sign of life and the next start is a blind spell
// of every drive, until each is watched again.
func TestTimeNotRunningIsBlind(t *testing.T) {
	now := at(0)
	clock := storetest.Now(func() time.Time { return now })
	s := storetest.New(t, clock)
	if err := s.Beat(ctx, []string{"elevator", "slew"}, at(0)); err != nil {
		t.Fatal(err)
	}
	if err := s.Blind(ctx, "slew", at(1), at(2), capture.CauseUnreachable, ""); err != nil {
		t.Fatal(err)
	}
	now = at(60)
	s = reopen(t, s, clock) // Close is a sign of life itself
	now = at(100)
	s = reopen(t, s, clock) // nothing was watched in between
	if err := s.Watched(ctx, "elevator", at(103)); err != nil {
		t.Fatal(err)
	}
	if err := s.Blind(ctx, "slew", time.Time{}, at(104), capture.CauseUnreachable, ""); err != nil {
		t.Fatal(err)
	}
	got := must[[]capture.Spell](t)(s.Spells(ctx, store.Query{}))
	for i := range got {
		if got[i].Cause == capture.CauseNotRunning {
			if got[i].Text == "" {
				t.Errorf("no text: %+v", got[i])
			}
			got[i].Text = ""
		}
	}
	want := []capture.Spell{
		spell("slew", 104, 0, capture.CauseUnreachable, ""),
		spell("elevator", 60, 103, capture.CauseNotRunning, ""),
		spell("slew", 60, 104, capture.CauseNotRunning, ""),
		spell("slew", 1, 60, capture.CauseUnreachable, ""),
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("spells (-want +got):\n%s", diff)
	}
	// A drive taken out of the config isn't blind for ever.
	if err := s.Beat(ctx, []string{"elevator"}, at(120)); err != nil {
		t.Fatal(err)
	}
	if sp := must[[]capture.Spell](t)(s.Spells(ctx, store.Query{Drives: []string{"slew"}, Limit: 1})); !sp[0].To.Equal(at(120)) {
		t.Errorf("its spell ends %v, want %v", sp[0].To, at(120))
	}
}

// The clock of an edge PC jumps. Spells must neither overlap nor end before
// they begin, and none is lost.
func TestSpellsWhenTheClockJumpsBack(t *testing.T) {
	s := storetest.New(t)
	for _, err := range []error{
		s.Blind(ctx, "slew", at(100), at(101), capture.CauseUnreachable, ""),
		s.Watched(ctx, "slew", at(50)), // the last sign of life by the old clock was at 101
		s.Blind(ctx, "slew", at(40), at(45), capture.CauseNotArmed, ""),
		s.Watched(ctx, "slew", at(110)),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	want := []capture.Spell{
		spell("slew", 101, 110, capture.CauseNotArmed, ""),
		spell("slew", 100, 101, capture.CauseUnreachable, ""),
		spell("slew", 40, 100, capture.CauseNotArmed, ""),
	}
	if diff := cmp.Diff(want, must[[]capture.Spell](t)(s.Spells(ctx, store.Query{}))); diff != "" {
		t.Errorf("spells (-want +got):\n%s", diff)
	}
}

// Edge PCs wear flash: watching while nothing happens must not write.
func TestNothingNewWritesNothing(t *testing.T) {
	s := storetest.New(t)
	if err := s.Watched(ctx, "elevator", at(0)); err != nil {
		t.Fatal(err)
	}
	if err := s.Blind(ctx, "slew", at(0), at(1), capture.CauseUnreachable, ""); err != nil {
		t.Fatal(err)
	}
	before := fileAt(t, s.Path())
	for i := range 1000 {
		if err := s.Watched(ctx, "elevator", at(float64(i))); err != nil {
			t.Fatal(err)
		}
		if err := s.Blind(ctx, "slew", at(0), at(float64(i)), capture.CauseUnreachable, fmt.Sprint(i)); err != nil {
			t.Fatal(err)
		}
	}
	if after := fileAt(t, s.Path()); after != before {
		t.Error("the file was written to")
	}
}

// fileAt is the newest transaction in the file's meta pages.
func fileAt(t *testing.T, path string) string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	b := make([]byte, 8192)
	if _, err := f.ReadAt(b, 0); err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestOutboxKeepsOrderUntilAccepted(t *testing.T) {
	s := storetest.New(t, storetest.To("log", "webhook"))
	for n := range 5 {
		storetest.Keep(t, s, "elevator", n, 1, 8)
	}
	box := must[[]store.Message](t)(s.Outbox(ctx, "log", 0))
	if len(box) != 5 {
		t.Fatalf("%d messages, want 5", len(box))
	}
	seqs := func(sink string, limit int) (out []uint64) {
		t.Helper()
		for _, m := range must[[]store.Message](t)(s.Outbox(ctx, sink, limit)) {
			out = append(out, m.Seq)
		}
		return out
	}
	for i := 1; i < 5; i++ {
		if box[i].Seq <= box[i-1].Seq || !box[i].Alert.Time.After(box[i-1].Alert.Time) {
			t.Errorf("message %d is out of order", i)
		}
	}
	step := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	step(s.Retry(ctx, "log", box[0].Seq, at(60), "connection refused"))
	step(s.Retry(ctx, "log", box[0].Seq, at(90), "timeout"))
	step(s.Accepted(ctx, "log", box[1].Seq))
	step(s.Accepted(ctx, "log", box[1].Seq)) // twice
	step(s.SetAside(ctx, "log", box[2].Seq, "410 Gone"))
	step(s.SetAside(ctx, "log", box[2].Seq, "410 Gone"))
	step(s.Accepted(ctx, "log", 9999))
	step(s.Accepted(ctx, "pigeon", 1))
	check := func() {
		t.Helper()
		if diff := cmp.Diff([]uint64{box[0].Seq, box[3].Seq, box[4].Seq}, seqs("log", 0)); diff != "" {
			t.Errorf("log (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff([]uint64{box[0].Seq, box[3].Seq}, seqs("log", 2)); diff != "" {
			t.Errorf("the first two of log (-want +got):\n%s", diff)
		}
		if n := len(seqs("webhook", 0)); n != 5 {
			t.Errorf("%d messages to webhook, want 5", n)
		}
		first := must[[]store.Message](t)(s.Outbox(ctx, "log", 1))[0]
		if first.Tries != 2 || !first.Next.Equal(at(90)) || first.LastError != "timeout" {
			t.Errorf("the retried message: %+v", first)
		}
		counts := must[store.Counts](t)(s.AlertCounts(ctx))
		if diff := cmp.Diff(store.Counts{Raised: 10, Accepted: 1, Waiting: 8, Aside: 1}, counts); diff != "" {
			t.Errorf("counts (-want +got):\n%s", diff)
		}
	}
	check()
	s = reopen(t, s)
	check()
}

func TestVisit(t *testing.T) {
	s := storetest.New(t)
	if v := must[time.Time](t)(s.Visit(ctx, "page")); !v.IsZero() {
		t.Errorf("visited %v before the first visit", v)
	}
	if err := s.SetVisit(ctx, "page", at(7)); err != nil {
		t.Fatal(err)
	}
	s = reopen(t, s)
	if v := must[time.Time](t)(s.Visit(ctx, "page")); !v.Equal(at(7)) {
		t.Errorf("visited %v", v)
	}
	if err := s.SetVisit(ctx, strings.Repeat("x", 300), at(7)); err == nil {
		t.Error("an endless visitor is noted")
	}
}
