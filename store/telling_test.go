package store_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// teller is a store whose clock and rules a test moves.
type teller struct {
	*store.Store
	t   *testing.T
	now time.Time
	to  func(capture.Alert) []capture.Delivery
	n   int
}

func newTeller(t *testing.T, await time.Duration, to func(capture.Alert) []capture.Delivery) *teller {
	x := &teller{t: t, now: storetest.Night.Add(time.Hour), to: to}
	x.Store = storetest.New(t, func(o *store.Options) {
		o.Now, o.Await = func() time.Time { return x.now }, await
		o.Announce = func(a capture.Alert) []capture.Delivery { return x.to(a) }
	})
	return x
}

// miss tells of another trip of the drive, now.
func (x *teller) miss(drive string) {
	x.t.Helper()
	x.n++
	m := capture.Miss{Time: x.now, Drive: drive, Fault: overcurrent, Cause: capture.CauseReset, Text: fmt.Sprintf("Miss %d.", x.n)}
	if err := x.Miss(context.Background(), m, capture.Alarm); err != nil {
		x.t.Fatal(err)
	}
}

func (x *teller) keep(n int) capture.ID {
	x.t.Helper()
	c, data := storetest.Recording("elevator", n, 2, 100)
	d := must[*store.Draft](x.t)(x.Draft(context.Background(), c))
	return must[capture.Capture](x.t)(d.Keep(context.Background(), c, storetest.Chunk(data, 0, len(data)))).ID
}

func (x *teller) due(sink string) []store.Message {
	x.t.Helper()
	due, _, err := x.Due(context.Background(), sink, x.now, 100)
	if err != nil {
		x.t.Fatal(err)
	}
	return due
}

// send seals and accepts all that is due, as a sink that answers would have it.
func (x *teller) send(sink string) (sent []store.Message) {
	x.t.Helper()
	for _, m := range x.due(sink) {
		m, there, err := x.Seal(context.Background(), sink, m.Seq)
		if err != nil || !there {
			x.t.Fatalf("sealing: %v, %v", there, err)
		}
		if err := x.Accepted(context.Background(), sink, m.Seq); err != nil {
			x.t.Fatal(err)
		}
		sent = append(sent, m)
	}
	return sent
}

func (x *teller) alarm() capture.OpenAlarm {
	x.t.Helper()
	all := must[[]capture.OpenAlarm](x.t)(x.Alarms(context.Background()))
	if len(all) != 1 {
		x.t.Fatalf("%d alarms", len(all))
	}
	return all[0]
}

// A drive that chatters makes one message at once and then one in a while that
// counts, however many trips there are; every one of them is counted.
func TestChatteringDriveIsCounted(t *testing.T) {
	ctx := context.Background()
	x := newTeller(t, 0, func(a capture.Alert) []capture.Delivery {
		return []capture.Delivery{{Sink: "mail", Fold: a.Condition(), Every: 15 * time.Minute}}
	})
	x.miss("elevator")
	if sent := x.send("mail"); len(sent) != 1 || sent[0].Total() != 1 {
		t.Fatalf("the first trip isn't told at once: %+v", sent)
	}
	counted, messages := 1, 1
	for range 500 {
		x.now = x.now.Add(5 * time.Second)
		x.miss("elevator")
		for _, m := range x.send("mail") {
			counted += m.Total()
			messages++
		}
	}
	x.miss("belt") // another drive isn't held up
	if sent := x.send("mail"); len(sent) != 1 || sent[0].Alert.Drive != "belt" {
		t.Errorf("another drive's trip: %+v", sent)
	}
	_, next, err := x.Due(ctx, "mail", x.now, 10)
	if err != nil || next.IsZero() || next.Sub(x.now) > 15*time.Minute {
		t.Fatalf("the rest is due at %s, %v", next, err)
	}
	x.now = next
	for _, m := range x.send("mail") {
		counted += m.Total()
		messages++
		if m.Alert.Count != m.Total() || m.Alert.First.IsZero() || m.Alert.Text == "" {
			t.Errorf("the last message: %+v", m.Alert)
		}
	}
	if counted != 501 || messages != 4 {
		t.Errorf("%d trips in %d messages, want 501 in 4 (at once, after 15 and 30 min, and the rest)", counted, messages)
	}
	n := must[store.Counts](t)(x.AlertCounts(ctx))
	if want := (store.Counts{Raised: 502, Accepted: 502}); n != want {
		t.Errorf("counts %+v, want %+v", n, want)
	}
}

// What a sink may have seen never changes: a trip during an attempt begins
// another message, so that a double can be dropped by its ID.
func TestSealedMessageStays(t *testing.T) {
	ctx := context.Background()
	x := newTeller(t, 0, func(a capture.Alert) []capture.Delivery {
		return []capture.Delivery{{Sink: "mail", Fold: a.Condition(), Every: time.Minute}}
	})
	x.miss("elevator")
	first, _, err := x.Seal(ctx, "mail", x.due("mail")[0].Seq)
	if err != nil {
		t.Fatal(err)
	}
	x.miss("elevator")
	x.miss("elevator")
	box := must[[]store.Message](t)(x.Outbox(ctx, "mail", 0))
	if len(box) != 2 || box[1].Total() != 2 || box[1].Alert.ID == first.Alert.ID {
		t.Fatalf("%+v", box)
	}
	if diff := cmp.Diff(first, box[0]); diff != "" {
		t.Error(diff)
	}
	// The clock is put back by a year: the message isn't held for a year.
	x.now = x.now.AddDate(-1, 0, 0)
	if due := x.due("mail"); len(due) != 2 {
		t.Errorf("%d are due after the clock was put back, want 2", len(due))
	}
}

func TestAlertWaitsForWhatWasFound(t *testing.T) {
	ctx := context.Background()
	route := func(a capture.Alert) []capture.Delivery {
		to := capture.To("mail")
		if strings.HasPrefix(a.Family, "2311-b") {
			to = append(to, capture.Delivery{Sink: "pager"})
		}
		return to
	}
	study := func(family string) store.Studied {
		st := studied(1, "g", "Current rose first, 41 ms before the trip.")
		st.Family = family
		return st
	}
	x := newTeller(t, 10*time.Second, route)
	a, b := x.keep(0), x.keep(1)
	if due := x.due("mail"); len(due) != 0 {
		t.Fatalf("sent before anything was found: %+v", due)
	}
	if err := x.PutStudies(map[capture.ID]store.Studied{a: study("2311-b")}); err != nil {
		t.Fatal(err)
	}
	sent := x.send("mail")
	if len(sent) != 1 || sent[0].Alert.Capture != a || sent[0].Alert.Family != "2311-b" || !strings.HasSuffix(sent[0].Alert.Text, " Current rose first, 41 ms before the trip.") {
		t.Fatalf("%+v", sent)
	}
	if sent := x.send("pager"); len(sent) != 1 || sent[0].Alert.Capture != a {
		t.Errorf("who asked for the family hears %+v", sent)
	}
	// Found again, as after an update: nobody is told twice.
	if err := x.PutStudies(map[capture.ID]store.Studied{a: study("2311-b")}); err != nil {
		t.Fatal(err)
	}
	if left := append(x.due("mail"), x.due("pager")...); len(left) != 0 {
		t.Errorf("told again: %+v", left)
	}
	// What takes too long isn't waited for; who asked for the family hears all the same.
	x.now = x.now.Add(11 * time.Second)
	if sent := x.send("mail"); len(sent) != 1 || sent[0].Alert.Capture != b || sent[0].Alert.Finding != "" {
		t.Errorf("%+v", sent)
	}
	if err := x.PutStudies(map[capture.ID]store.Studied{b: study("2311-b")}); err != nil {
		t.Fatal(err)
	}
	if sent := x.send("pager"); len(sent) != 1 || sent[0].Alert.Capture != b {
		t.Errorf("%+v", sent)
	}
	if left := x.due("mail"); len(left) != 0 {
		t.Errorf("told again: %+v", left)
	}
	c := x.keep(2)
	if err := store.DropCapture(x.Store, c); err != nil {
		t.Fatal(err)
	}
	if err := x.PutStudies(map[capture.ID]store.Studied{c: study("2311-b")}); err != nil {
		t.Fatal(err)
	}
	if left := x.due("pager"); len(left) != 0 {
		t.Errorf("a capture that isn't there: %+v", left)
	}
	if n := must[store.Counts](t)(x.AlertCounts(ctx)); n.Raised-n.Accepted != n.Waiting {
		t.Errorf("counts %+v", n)
	}
}

// The states of an alarm are those of ANSI/ISA-18.2 and IEC 62682 (from
// memory): unacknowledged, acknowledged, returned to normal, normal.
func TestAlarmStates(t *testing.T) {
	ctx := context.Background()
	x := newTeller(t, 0, func(capture.Alert) []capture.Delivery { return []capture.Delivery{{Sink: "mail", Remind: time.Hour}} })
	gone := func(a capture.OpenAlarm) bool { return a.Alert.Drive == "elevator" }
	expect := func(what string, want capture.AlarmState) {
		t.Helper()
		if got := x.alarm().State(); got != want {
			t.Errorf("%s: %s, want %s", what, got, want)
		}
	}
	x.miss("elevator")
	expect("after a trip", capture.Unacknowledged)
	key := x.alarm().Key
	if err := x.Cleared(ctx, x.now.Add(-time.Second), gone); err != nil {
		t.Fatal(err)
	}
	expect("cleared before it came", capture.Unacknowledged)
	if err := x.Acknowledge(ctx, "anna", key); err != nil {
		t.Fatal(err)
	}
	expect("acknowledged", capture.Acknowledged)
	if a := x.alarm(); a.AckedBy != "anna" || a.Count != 1 {
		t.Errorf("%+v", a)
	}
	x.now = x.now.Add(time.Minute)
	x.miss("elevator")
	expect("tripped again", capture.Unacknowledged)
	if err := x.Cleared(ctx, x.now, gone); err != nil {
		t.Fatal(err)
	}
	expect("gone", capture.ReturnedToNormal)
	if a := x.alarm(); a.Count != 2 || !a.Since.Equal(x.now.Add(-time.Minute)) {
		t.Errorf("%+v", a)
	}
	if err := x.Acknowledge(ctx, "", key); err != nil {
		t.Fatal(err)
	}
	if left := must[[]capture.OpenAlarm](t)(x.Alarms(ctx)); len(left) != 0 {
		t.Errorf("normal, and still there: %+v", left)
	}
	if err := x.Acknowledge(ctx, "", key); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("acknowledging what isn't there: %v", err)
	}
	// To look at the newest capture of a trip is to know of it.
	id := x.keep(0)
	x.keep(1)
	expect("kept", capture.Unacknowledged)
	if err := x.Review(ctx, id); err != nil {
		t.Fatal(err)
	}
	expect("an older one reviewed", capture.Unacknowledged)
	if err := x.Review(ctx, must[[]capture.OpenAlarm](t)(x.Alarms(ctx))[0].Alert.Capture); err != nil {
		t.Fatal(err)
	}
	expect("reviewed", capture.Acknowledged)
}

// What lasts is told once, over a restart too, and again when it comes again.
func TestStandingConditionIsToldOnce(t *testing.T) {
	ctx := context.Background()
	wanted := false
	x := newTeller(t, 0, func(capture.Alert) []capture.Delivery {
		if !wanted {
			return nil
		}
		return capture.To("mail")
	})
	blind := capture.Alert{Time: x.now, Kind: capture.KindBlind, Severity: capture.Warning, Drive: "belt", Text: "belt has not been watched for 1 min."}
	stand := func(times int) int {
		t.Helper()
		for range times {
			if err := x.Standing(ctx, blind); err != nil {
				t.Fatal(err)
			}
		}
		return len(x.send("mail"))
	}
	if n := stand(2); n != 0 || len(must[[]capture.OpenAlarm](t)(x.Alarms(ctx))) != 0 {
		t.Errorf("told %d times where nobody wants to hear of it", n)
	}
	wanted = true
	if n := stand(3); n != 1 {
		t.Errorf("told %d times, want once", n)
	}
	if err := x.Acknowledge(ctx, "", x.alarm().Key); err != nil {
		t.Fatal(err)
	}
	if n := stand(2); n != 0 {
		t.Errorf("told %d times after it was acknowledged", n)
	}
	if err := x.Cleared(ctx, x.now, func(capture.OpenAlarm) bool { return true }); err != nil {
		t.Fatal(err)
	}
	x.now = x.now.Add(time.Hour)
	blind.Time = x.now
	if n := stand(2); n != 1 {
		t.Errorf("told %d times when it came again, want once", n)
	}
}

func TestRemindersUntilAcknowledged(t *testing.T) {
	ctx := context.Background()
	x := newTeller(t, 0, func(capture.Alert) []capture.Delivery {
		return []capture.Delivery{{Sink: "mail", Remind: time.Hour}, {Sink: "log"}}
	})
	remind := func() time.Time { t.Helper(); return must[time.Time](t)(x.Remind(ctx)) }
	x.miss("elevator")
	x.send("mail")
	if next := remind(); !next.Equal(x.now.Add(time.Hour)) || len(x.due("mail")) != 0 {
		t.Fatalf("next at %s", next)
	}
	seen := map[string]bool{}
	for n := 1; n <= 3; n++ {
		x.now = x.now.Add(time.Hour)
		remind()
		sent := x.send("mail")
		if len(sent) != 1 || sent[0].Alert.Reminder != n || seen[sent[0].Alert.ID] {
			t.Fatalf("reminder %d: %+v", n, sent)
		}
		seen[sent[0].Alert.ID] = true
		want := map[int]string{1: "Not acknowledged for 60 min: elevator tripped:", 2: "Not acknowledged for 2 h: elevator tripped:", 3: "Not acknowledged for 3 h: elevator tripped:"}[n]
		if !strings.HasPrefix(sent[0].Alert.Text, want) {
			t.Errorf("reminder %d says %q, want %q", n, sent[0].Alert.Text, want)
		}
	}
	// A sink that takes nothing isn't reminded on top of a reminder.
	for range 5 {
		x.now = x.now.Add(time.Hour)
		remind()
	}
	if due := x.due("mail"); len(due) != 1 || due[0].Alert.Reminder != 4 {
		t.Errorf("%d reminders wait: %+v", len(due), due)
	}
	if n := len(must[[]store.Message](t)(x.Outbox(ctx, "log", 0))); n != 1 {
		t.Errorf("%d messages to a sink that isn't to be reminded, want 1", n)
	}
	if err := x.Acknowledge(ctx, "", x.alarm().Key); err != nil {
		t.Fatal(err)
	}
	if due := x.due("mail"); len(due) != 0 {
		t.Errorf("a reminder of what was acknowledged still waits: %+v", due)
	}
	x.now = x.now.Add(2 * time.Hour)
	if next := remind(); !next.IsZero() || len(x.due("mail")) != 0 {
		t.Error("reminded of what was acknowledged")
	}
	if n := must[store.Counts](t)(x.AlertCounts(ctx)); n.Raised-n.Accepted != n.Waiting {
		t.Errorf("counts %+v", n)
	}
}
