package web_test

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/web"
	"faultkeep/store/capture"
)

func TestDrivePageTellsHowItWasWatched(t *testing.T) {
	p := newPlant(t, "Northquay")
	p.night(t)
	h := web.New(p.options())
	// Since 06:45 the day before: 120 minutes not running, 60 not armed, 9 + 27
	// unreachable of 1,435.
	has(t, ask(t, h, "GET", "/drive/slew", "").Body.String(), "watched 84.9 %", "not armed 4.1 %", "unreachable 2.5 %", "faultkeep not running 8.3 %",
		"Watched 84.9 %; blind 09:10–11:10, faultkeep was not running; 14:10–15:10, not armed; 03:02–03:11, unreachable; and 1 more.",
		"Settings not as wanted 16:10–20:10: The sample interval is 2 ms, wanted 1 ms.", "1 kept whole", "1 missed", `aria-current="true">day</a>`)
	has(t, ask(t, h, "GET", "/drive/slew?span=week", "").Body.String(), "blind Mon 23 Nov 12:10–15:10, not armed;", "That is of 2 d 12 h; of the rest nothing is known.", `aria-current="true">week</a>`)
	has(t, ask(t, h, "GET", "/drive/belt-3?span=month", "").Body.String(), "watched 100 %", "1 kept in part", "That is of 2 d 12 h; of the rest nothing is known.",
		"To keep a recording for certain takes 1.4 s, 1.1 s of it to read it.", "The shortest that one stood so far is 600 ms.",
		"It can&#39;t be kept in time: 800 ms are wanting. Hold the reset back at least 1.4 s, or allow more connections.", `class="race look"`)
	elevator := ask(t, h, "GET", "/drive/elevator", "").Body.String()
	has(t, elevator, "The shortest that one stood so far is 3.9 s; by the config one stands 5 s.", "The margin is 2.9 s.")
	if strings.Contains(elevator, `class="race look"`) {
		t.Error("a race that can be won is flagged")
	}
	if w := ask(t, h, "GET", "/drive/slew?span=year", ""); w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "day, week, month") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	home := ask(t, h, "GET", "/", "").Body.String()
	has(t, home, "watched 84.9 % of the last day", "Loader slew, Tue 24 Nov 06:45 to Wed 25 Nov 06:45: watched 84.9 %;")
	if n := strings.Count(home, `class="fk watch small"`); n != 5 {
		t.Errorf("%d small timelines, want 5", n)
	}
}

// A drive that was only just put into the config has no timeline, and says so.
func TestDriveNeverWatched(t *testing.T) {
	p := newPlant(t, "Northquay")
	p.live.drives = []web.DriveNow{{Name: "fan", Figures: web.Race{Need: time.Second, Pull: time.Second / 2}}}
	h := web.New(p.options())
	has(t, ask(t, h, "GET", "/drive/fan", "").Body.String(), "It was never watched.", "How long one stands isn&#39;t known: none was seen to go yet, and the config gives no reset_after.")
	if body := ask(t, h, "GET", "/", "").Body.String(); strings.Contains(body, "of the last day") {
		t.Error("a share of nothing is told")
	}
}

// The week in which Europe/Oslo puts its clocks back has 169 hours, all of
// them counted: on 25 October 2026 at 01:00 UTC (the IANA time zone database).
func TestAWeekWithALongNight(t *testing.T) {
	p := newPlant(t, "Northquay")
	p.live.drives = []web.DriveNow{{Name: "fan", State: capture.Armed, Reachable: true, Watched: true}}
	now := time.Date(2026, 10, 26, 12, 0, 0, 0, oslo)
	p.now = now
	ctx := context.Background()
	for _, err := range []error{p.store.Watched(ctx, "fan", now.AddDate(0, -1, 0)),
		p.store.Blind(ctx, "fan", time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC), time.Date(2026, 10, 25, 0, 31, 0, 0, time.UTC), capture.CauseUnreachable, ""),
		p.store.Watched(ctx, "fan", time.Date(2026, 10, 25, 1, 20, 24, 0, time.UTC))} {
		if err != nil {
			t.Fatal(err)
		}
	}
	o := p.options()
	o.Now = func() time.Time { return now }
	// 50 min 24 s of 168 h 30 min (the span ends at 12:30, half an hour ahead): 0.4985 %.
	has(t, ask(t, web.New(o), "GET", "/drive/fan?span=week", "").Body.String(), "Watched 99.5 %; blind Sun 25 Oct 02:30 CEST–02:20 CET, unreachable.", "unreachable 0.4 %")
}
