package web_test

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/web"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// season is a plant watched for two months, with an elevator that trips more
// and more often, at night, until it is repaired.
func season(t testing.TB) *plant {
	t.Helper()
	p := newPlant(t, "Northquay")
	begin := morning.AddDate(0, -2, 0)
	at := func(days float64) time.Time { return begin.Add(time.Duration(days * 24 * float64(time.Hour))) }
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	p.live.drives = []web.DriveNow{{Name: "elevator", Title: "Bucket elevator"}, {Name: "fan", Title: "Aeration fan"}}
	p.now = begin
	must(p.store.Watched(context.Background(), "elevator", begin))
	must(p.store.Watched(context.Background(), "fan", begin))
	for i, d := range []float64{9, 17, 24, 29, 33, 36, 39, 41, 43, 44.5, 46, 47} {
		p.now = at(d - 0.15)
		c, data := storetest.Recording("elevator", i, 2, 200)
		c.Trigger.Time = p.now.UTC()
		c.ID = capture.NewID(c.Trigger.Time, "elevator", "season")
		c.Provenance.Ready = time.Time{}
		d, err := p.store.Draft(context.Background(), c)
		must(err)
		_, err = d.Keep(context.Background(), c, storetest.Chunk(data, 0, len(data)))
		must(err)
	}
	p.now = morning
	must(p.store.AddRepair(context.Background(), capture.Repair{Drive: "elevator", At: at(47.4), Note: "Scraper <b>replaced</b>, chain aligned", Fault: "2311"}))
	return p
}

// The page tells the rate, the trend, the repair; a drive without trips is told too.
func TestRecurrencePage(t *testing.T) {
	p := season(t)
	h := web.New(p.options())
	body := ask(t, h, "GET", "/recurrence", "").Body.String()
	has(t, body, "12 trips in 61 days watched", "No trend can be told", "All of them.", "a repair after 47.4", "Scraper &lt;b&gt;replaced&lt;/b&gt;, chain aligned", "Aeration fan", "No trip in 61 days watched",
		"none in 14 days watched since", "Bucket elevator: 12 trips over 61 days watched", "by hour of day: most")
	if strings.Contains(ask(t, h, "GET", "/recurrence?drive=fan", "").Body.String(), "Bucket elevator") {
		t.Error("another drive is on a drive's page")
	}
	has(t, ask(t, h, "GET", "/recurrence?since=30d", "").Body.String(), "8 trips in 30 days watched")
	has(t, ask(t, h, "GET", "/recurrence?drive=nobody", "").Body.String(), "No drive was watched in this time")
	if w := ask(t, h, "GET", "/recurrence?since=ever", ""); w.Code != http.StatusBadRequest {
		t.Errorf("%d", w.Code)
	}

	send := func(path string, form url.Values, status int) string {
		t.Helper()
		w := ask(t, h, "POST", path, form.Encode(), "Content-Type", "application/x-www-form-urlencoded")
		if w.Code != status {
			t.Errorf("%s answers %d: %s", path, w.Code, w.Body)
		}
		return w.Header().Get("Location") + w.Body.String()
	}
	form := url.Values{"drive": {"elevator"}, "at": {"2026-11-20T14:30"}, "note": {"Bearing greased"}, "fault": {""}}
	has(t, send("/repair", form, http.StatusSeeOther), "/recurrence?drive=elevator")
	list, err := p.store.Repairs(context.Background(), "elevator")
	if err != nil || len(list) != 2 || !list[1].At.Equal(time.Date(2026, 11, 20, 14, 30, 0, 0, oslo)) {
		t.Errorf("%+v %v", list, err)
	}
	form.Set("at", list[1].At.Format(time.RFC3339))
	send("/repair/drop", form, http.StatusSeeOther)
	send("/repair/drop", form, http.StatusNotFound)
	form.Set("at", "noon")
	send("/repair", form, http.StatusBadRequest)
	form.Set("at", "2027-11-20T14:30")
	has(t, send("/repair", form, http.StatusBadRequest), "still to come")
}

func TestRecurrenceInABrowser(t *testing.T) {
	address, host := serve(t, season(t))
	b := newBrowser(t)
	for _, scheme := range []string{"light", "dark"} {
		for _, width := range []int64{1280, 360} {
			b.open(address+"/recurrence", width, scheme)
			if over := eval[float64](b, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
				t.Errorf("at %d px it is %v px too wide", width, over)
			}
			b.shot("recurrence-" + scheme + "-" + map[int64]string{1280: "1280", 360: "360"}[width])
		}
	}
	b.clean(host)
}
