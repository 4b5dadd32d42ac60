package web_test

import (
	"context"
	"net/http"
	"strings"
	"testing"

	"faultkeep/store"
	"faultkeep/store/capture"
)

// From the page: see what nobody has acknowledged, acknowledge it, plan a
// quiet time and end it, send again what was refused.
func TestAlertsPage(t *testing.T) {
	ctx := context.Background()
	p, h := withUsers(t)
	p.now = morning
	if err := p.store.SetAside(ctx, "control-room", 1, "answered 404 Not Found"); err != nil {
		t.Fatal(err)
	}
	anna := as(t, h, "anna", annasPassword)
	page := func() string {
		t.Helper()
		w := ask(t, h, "GET", "/alerts", "", "Cookie", anna)
		if w.Code != http.StatusOK {
			t.Fatalf("%d %s", w.Code, w.Body)
		}
		return w.Body.String()
	}
	post := func(path, form string, code int) {
		t.Helper()
		if w := ask(t, h, "POST", path, form, "Cookie", anna, "Sec-Fetch-Site", "same-origin"); w.Code != code {
			t.Fatalf("%s answers %d: %.400s", path, w.Code, w.Body)
		}
	}
	if home := ask(t, h, "GET", "/", "", "Cookie", anna).Body.String(); strings.Contains(home, "receivers yet.") {
		t.Error("what is on its way is told as trouble")
	}
	body := page()
	for _, want := range []string{"<b>unacknowledged</b>", `value="trip/elevator/2311"`, "Refused for good, ", "Answer: answered 404 Not Found", "never means that a machine is safe"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if home := ask(t, h, "GET", "/", "", "Cookie", anna).Body.String(); !strings.Contains(home, "that nobody has acknowledged.") {
		t.Error("the home page doesn't tell of alarms")
	}
	post("/alerts/acknowledge", form("key", "trip/elevator/2311"), http.StatusSeeOther)
	if body = page(); !strings.Contains(body, "<b>acknowledged</b>, by anna") {
		t.Error("the acknowledged alarm isn't shown as such")
	}
	post("/alerts/acknowledge", "", http.StatusBadRequest)
	post("/alerts/acknowledge", form("key", "trip/nothing"), http.StatusNotFound)

	post("/alerts/quiet", form("drive", "elevator", "to", "2026-11-25T16:00", "note", "Gearbox <b>exchange</b>"), http.StatusSeeOther)
	quiets, err := p.store.Quiets(ctx)
	if err != nil || len(quiets) != 1 || quiets[0].By != "anna" || quiets[0].To.In(oslo).Hour() != 16 || len(quiets[0].Drives) != 1 {
		t.Fatalf("%+v, %v", quiets, err)
	}
	if body = page(); !strings.Contains(body, "Gearbox &lt;b&gt;exchange&lt;/b&gt;") || !strings.Contains(body, "end it now") {
		t.Error("the quiet time isn't shown")
	}
	if home := ask(t, h, "GET", "/", "", "Cookie", anna).Body.String(); !strings.Contains(home, "Quiet until ") {
		t.Error("the home page doesn't tell of the quiet time")
	}
	post("/alerts/quiet", form("to", "2026-11-25T04:00"), http.StatusBadRequest)
	post("/alerts/quiet", form("to", "tomorrow"), http.StatusBadRequest)
	post("/alerts/quiet/end", form("id", quiets[0].ID), http.StatusSeeOther)
	post("/alerts/quiet/end", form("id", quiets[0].ID), http.StatusNotFound)

	post("/alerts/refused", form("sink", "control-room", "seq", "1", "do", "again"), http.StatusSeeOther)
	box, err := p.store.Outbox(ctx, "control-room", 0)
	if err != nil || len(box) == 0 || box[0].Seq != 1 {
		t.Errorf("it isn't sent again: %+v, %v", box, err)
	}
	post("/alerts/refused", form("sink", "control-room", "seq", "1"), http.StatusNotFound)
	if err := p.store.Retry(ctx, "control-room", 1, morning, "no route to host"); err != nil {
		t.Fatal(err)
	}
	if home := ask(t, h, "GET", "/", "", "Cookie", anna).Body.String(); !strings.Contains(home, "accepted by their receivers yet.") {
		t.Error("the home page doesn't tell that alerts don't get through")
	}
	if body = page(); !strings.Contains(body, "last answer: no route to host.") {
		t.Error("the page doesn't say why alerts wait")
	}
	if err := p.store.Note(ctx, store.Entry{Kind: store.KindDamage, Text: "x"}, capture.Alert{Kind: capture.KindDamage, Severity: capture.Alarm, Text: "The store was <damaged>."}); err != nil {
		t.Fatal(err)
	}
	if body = page(); !strings.Contains(body, "The store was &lt;damaged&gt;.") {
		t.Error("an alarm of no drive isn't shown")
	}
}
