package store_test

import (
	"context"
	"errors"
	"testing"

	"faultkeep/store"
	"faultkeep/store/capture"
)

// What a sink refuses is shown with the reason, and can be sent again.
func TestRefusedIsShownAndSentAgain(t *testing.T) {
	ctx := context.Background()
	x := newTeller(t, 0, func(capture.Alert) []capture.Delivery { return capture.To("hook", "old") })
	x.miss("elevator")
	x.miss("belt")
	seq := x.due("hook")[0].Seq
	if err := x.SetAside(ctx, "hook", seq, "answered 404"); err != nil {
		t.Fatal(err)
	}
	if err := x.Retry(ctx, "hook", x.due("hook")[0].Seq, x.now, "no route"); err != nil {
		t.Fatal(err)
	}
	boxes := must[[]store.SinkBox](t)(x.Boxes(ctx))
	if len(boxes) != 2 || boxes[0].Sink != "hook" || boxes[0].Waiting != 1 || boxes[0].Refused != 1 || boxes[0].LastError != "no route" ||
		len(boxes[0].Aside) != 1 || boxes[0].Aside[0].LastError != "answered 404" || boxes[1].Waiting != 2 {
		t.Fatalf("%+v", boxes)
	}
	if err := x.SendAgain(ctx, "hook", seq); err != nil {
		t.Fatal(err)
	}
	if due := x.due("hook"); len(due) != 2 || due[0].Seq != seq || due[0].Tries != 0 {
		t.Errorf("%+v", due)
	}
	if err := errors.Join(x.SendAgain(ctx, "hook", seq)); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("sent again twice: %v", err)
	}
	// A sink that the config doesn't have any more.
	if err := x.SetAsideOthers(ctx, func(sink string) bool { return sink == "hook" }, "no such sink"); err != nil {
		t.Fatal(err)
	}
	boxes = must[[]store.SinkBox](t)(x.Boxes(ctx))
	if len(boxes) != 2 || boxes[0].Waiting != 2 || len(boxes[0].Aside) != 0 || boxes[0].Refused != 0 || boxes[1].Waiting != 0 || len(boxes[1].Aside) != 2 {
		t.Errorf("%+v", boxes)
	}
	for _, m := range boxes[1].Aside {
		if err := x.Forget(ctx, "old", m.Seq); err != nil {
			t.Error(err)
		}
	}
	if boxes = must[[]store.SinkBox](t)(x.Boxes(ctx)); len(boxes[1].Aside) != 0 || boxes[1].Refused != 2 {
		t.Errorf("%+v", boxes[1])
	}
}
