package store_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"faultkeep/store"
	"faultkeep/store/capture"
)

func TestQuietTime(t *testing.T) {
	ctx := context.Background()
	x := newTeller(t, 0, func(capture.Alert) []capture.Delivery { return []capture.Delivery{{Sink: "mail", Remind: time.Minute}} })
	plan := func(from, to time.Duration, drives ...string) capture.Quiet {
		t.Helper()
		return must[capture.Quiet](t)(x.AddQuiet(ctx, capture.Quiet{From: x.now.Add(from), To: x.now.Add(to), Drives: drives, Note: "gearbox exchange"}))
	}
	plan(-time.Minute, 2*time.Hour, "elevator")
	for range 3 {
		x.miss("elevator")
	}
	x.miss("belt")
	if sent := x.send("mail"); len(sent) != 1 || sent[0].Alert.Drive != "belt" {
		t.Fatalf("in the quiet time: %+v", sent)
	}
	x.now = x.now.Add(time.Hour)
	if must[time.Time](t)(x.Remind(ctx)); len(x.due("mail")) != 1 || x.due("mail")[0].Alert.Drive != "belt" {
		t.Errorf("reminded in a quiet time: %+v", x.due("mail"))
	}
	x.send("mail")
	x.now = x.now.Add(time.Hour)
	sent := x.send("mail")
	if len(sent) != 1 || sent[0].Total() != 3 || sent[0].Why != "gearbox exchange" {
		t.Fatalf("at its end: %+v", sent)
	}
	if left := must[[]capture.Quiet](t)(x.Quiets(ctx)); len(left) != 0 {
		t.Errorf("over, and still there: %+v", left)
	}
	x.miss("elevator")
	if sent := x.send("mail"); len(sent) != 1 || sent[0].Fold != "" {
		t.Errorf("after its end: %+v", sent)
	}

	// Planned ahead, for all drives, and ended early.
	q := plan(time.Hour, 3*time.Hour)
	x.miss("elevator")
	x.now = x.now.Add(90 * time.Minute)
	x.miss("slew")
	if err := x.Note(ctx, store.Entry{Kind: store.KindDamage, Text: "x"}, capture.Alert{Kind: capture.KindDamage, Severity: capture.Alarm, Text: "Damaged."}); err != nil {
		t.Fatal(err)
	}
	if sent := x.send("mail"); len(sent) != 2 || sent[0].Alert.Drive != "elevator" || sent[1].Alert.Kind != capture.KindDamage {
		t.Errorf("before and in a planned time: %+v", sent)
	}
	if err := x.EndQuiet(ctx, q.ID, "anna"); err != nil {
		t.Fatal(err)
	}
	if sent := x.send("mail"); len(sent) != 1 || sent[0].Alert.Drive != "slew" {
		t.Errorf("ended early: %+v", sent)
	}
	if err := x.EndQuiet(ctx, q.ID, "anna"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("ended twice: %v", err)
	}
	for _, bad := range []capture.Quiet{
		{From: x.now, To: x.now},
		{From: x.now, To: x.now.Add(-time.Hour)},
		{From: x.now.Add(-2 * time.Hour), To: x.now.Add(-time.Hour)},
		{From: x.now, To: x.now.Add(store.MostQuiet + time.Second)},
		{From: x.now, To: x.now.Add(time.Hour), Note: strings.Repeat("x", 2001)},
		{From: x.now, To: x.now.Add(time.Hour), Drives: []string{""}},
	} {
		if _, err := x.AddQuiet(ctx, bad); !errors.Is(err, store.ErrRefused) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
}

// A full outbox drops repeats first, and a later message counts them; what
// nothing else tells of goes last, and the ledger tells.
func TestFullOutbox(t *testing.T) {
	ctx := context.Background()
	x := newTeller(t, 0, func(capture.Alert) []capture.Delivery { return capture.To("mail") })
	store.SetMostWaiting(x.Store, 10)
	x.miss("belt")
	for range 30 {
		x.now = x.now.Add(time.Second)
		x.miss("elevator")
	}
	box := must[[]store.Message](t)(x.Outbox(ctx, "mail", 0))
	alerts := 0
	for _, m := range box {
		alerts += m.Total()
	}
	if len(box) > 10 || alerts != 31 || box[0].Alert.Drive != "belt" {
		t.Errorf("%d messages of %d alerts, the first of %s; want at most 10 of 31, the one of belt among them", len(box), alerts, box[0].Alert.Drive)
	}
	ledger := func() (dropped []string) {
		for _, e := range must[[]store.Entry](t)(x.Ledger(ctx, store.Query{Kinds: []string{store.KindOutbox}})) {
			dropped = append(dropped, e.Text)
		}
		return dropped
	}
	if lines := ledger(); len(lines) != 0 {
		t.Errorf("nothing was lost, and the ledger says %q", lines)
	}
	for i := range 12 {
		x.now = x.now.Add(time.Second)
		x.miss(fmt.Sprintf("drive-%d", i))
	}
	n := must[store.Counts](t)(x.AlertCounts(ctx))
	if n.Waiting > 10 || n.Dropped == 0 {
		t.Errorf("counts %+v", n)
	}
	if lines := ledger(); len(lines) == 0 || !strings.HasPrefix(lines[0], "mail takes nothing and its outbox is full: ") {
		t.Errorf("the ledger says %q", lines)
	}
	alerts = 0
	for _, m := range must[[]store.Message](t)(x.Outbox(ctx, "mail", 0)) {
		alerts += m.Total()
	}
	if n.Raised != 43 || alerts+n.Dropped != 43 {
		t.Errorf("of 43 alerts %d wait and %d were dropped", alerts, n.Dropped)
	}
}
