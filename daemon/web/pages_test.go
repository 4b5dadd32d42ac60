package web_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/web"
	"faultkeep/store/capture"
)

// ask gives the answer of the handler to one request.
func ask(t testing.TB, h http.Handler, method, path, body string, headers ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(method, "http://127.0.0.1:8417"+path, strings.NewReader(body))
	if body != "" {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i] == "Host" {
			r.Host = headers[i+1]
		}
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func has(t *testing.T, body string, wants ...string) {
	t.Helper()
	for _, want := range wants {
		if !strings.Contains(body, want) {
			t.Errorf("no %q in\n%s", want, body)
		}
	}
}

func TestOvernight(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	h := web.New(p.options())
	first, err := p.store.Outbox(t.Context(), "control-room", 1)
	if err == nil {
		err = p.store.Retry(t.Context(), "control-room", first[0].Seq, morning, "no route to host")
	}
	if err != nil {
		t.Fatal(err)
	}
	w := ask(t, h, "GET", "/", "")
	if w.Code != http.StatusOK {
		t.Fatal(w.Code, w.Body)
	}
	// Five drives for 12.5 h, blind 9 + 27 + 10 minutes: 1 − 46/3750 = 98.77 %.
	has(t, w.Body.String(), "Tue 24 Nov 18:10 → Wed 25 Nov 06:40, Europe/Oslo", "2 trips kept whole · 1 in part · 1 missed · 3 blind spells · watched 98.7 %",
		"Kept whole, 1.4 s after it was ready.", "Continuous overcurrent, output 1 (2311)", "partial, −0.8…", "03:12:07", "03:02–03:11", "06:13–now",
		"Missed: reset 0.3 s after it was ready; a pull takes 1.1 s.", "Hold the reset back 2 s or allow 4 connections.",
		"Not watching Loader slew, Aeration fan.", "pulling, 64 %", "seen 27 min ago", "margin 2.9 s", "6 alerts aren&#39;t accepted by their receivers yet.")
	var order []int
	for _, s := range []string{"06:30–now", "06:13–now", "03:12:07", "03:02–03:11", "02:20:04", "01:47:31", "22:10:03"} {
		order = append(order, strings.Index(w.Body.String(), ">"+s+"<"))
	}
	for i := range order {
		if order[i] < 0 || i > 0 && order[i] < order[i-1] {
			t.Fatalf("the stream isn't newest first: %v", order)
		}
	}
	if strings.Contains(w.Body.String(), string(caps[3].ID)) {
		t.Error("a capture from before the last visit is shown")
	}
	has(t, ask(t, h, "GET", "/?since=7d", "").Body.String(), string(caps[3].ID))
	only := ask(t, h, "GET", "/?since=all&drive=belt-3", "").Body.String()
	has(t, only, string(caps[1].ID))
	if strings.Contains(only, string(caps[0].ID)) {
		t.Error("the filter lets another drive through")
	}
	part := ask(t, h, "GET", "/?fragment=drives", "")
	if strings.Contains(part.Body.String(), "<html") || !strings.Contains(part.Body.String(), "Drives now") {
		t.Errorf("fragment: %s", part.Body)
	}
	if again := ask(t, h, "GET", "/?fragment=drives", "", "If-None-Match", part.Header().Get("ETag")); again.Code != http.StatusNotModified {
		t.Errorf("an unchanged fragment answers %d", again.Code)
	}
}

func TestMarkingAsSeenBeginsTheNextVisit(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	h := web.New(p.options())
	until := regexp.MustCompile(`name="until" value="([^"]*)"`).FindStringSubmatch(ask(t, h, "GET", "/", "").Body.String())
	if until == nil {
		t.Fatal("no form")
	}
	form := url.Values{"until": {until[1]}}.Encode()
	pages := archive.Pages(p.store)
	for _, headers := range [][]string{{"Sec-Fetch-Site", "cross-site"}, {"Origin", "http://evil.example"}} {
		if w := ask(t, h, "POST", "/seen", form, headers...); w.Code != http.StatusForbidden || !strings.Contains(w.Body.String(), "Another site sent this request.") {
			t.Errorf("%v: %d %s", headers, w.Code, w.Body)
		}
	}
	if at, _ := pages.Visit(context.Background(), "page"); !at.Equal(evening) {
		t.Fatalf("another site marked everything as seen: %v", at)
	}
	if w := ask(t, h, "POST", "/seen", url.Values{"until": {morning.Add(time.Hour).Format(time.RFC3339)}}.Encode()); w.Code != http.StatusBadRequest {
		t.Errorf("the future can be marked as seen: %d", w.Code)
	}
	if w := ask(t, h, "POST", "/seen", "until="+strings.Repeat("x", 1<<20)); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("a huge form answers %d", w.Code)
	}
	if w := ask(t, h, "POST", "/seen", form, "Sec-Fetch-Site", "same-origin"); w.Code != http.StatusSeeOther {
		t.Fatal(w.Code, w.Body)
	}
	if at, _ := pages.Visit(context.Background(), "page"); !at.Equal(morning) {
		t.Errorf("visit is %v", at)
	}
	for _, c := range caps {
		if done, err := p.store.Reviewed(context.Background(), c.ID); err != nil || done != c.Trigger.Time.After(evening) {
			t.Errorf("%s, of %v, is marked as reviewed: %v, %v", c.ID, c.Trigger.Time, done, err)
		}
	}
	// A page that stood open since the evening doesn't turn time back.
	ask(t, h, "POST", "/seen", url.Values{"until": {evening.Format(time.RFC3339)}}.Encode())
	if at, _ := pages.Visit(context.Background(), "page"); !at.Equal(morning) {
		t.Errorf("visit went back to %v", at)
	}
}

func TestSilence(t *testing.T) {
	watched := web.DriveNow{Name: "fan", State: capture.Armed, Reachable: true, Watched: true, LastSeen: morning}
	blind := web.DriveNow{Name: "slew"}
	for _, c := range []struct {
		name   string
		drives []web.DriveNow
		blind  bool // it wasn't watched all night
		want   string
		loud   string
	}{
		{"no drives", nil, false, "No drive is being watched: the config names none.", ""},
		{"all watched", []web.DriveNow{watched}, false, "Nothing happened, and we were watching 100 % of the time.", ""},
		{"none watched", []web.DriveNow{blind}, false, "Nothing is kept, and no drive is watched at this moment. Trips may have gone unseen.", "Not watching: no drive is watched at this moment."},
		{"some watched", []web.DriveNow{watched, blind}, false, "Not every drive is watched at this moment.", "Not watching slew."},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := newPlant(t, "Northquay")
			p.live.drives = c.drives
			p.now = morning
			for _, d := range c.drives {
				if err := p.store.Watched(context.Background(), d.Name, evening); err != nil {
					t.Fatal(err)
				}
			}
			body := ask(t, web.New(p.options()), "GET", "/", "").Body.String()
			has(t, body, c.want, c.loud)
			if c.loud == "" && strings.Contains(body, `class="alarm"`) {
				t.Error("cries wolf")
			}
		})
	}
}

// Before a drive was in the config nothing is claimed about it.
func TestNothingIsClaimedFromBeforeWatching(t *testing.T) {
	p := newPlant(t, "Northquay")
	p.live.drives = []web.DriveNow{{Name: "fan", State: capture.Armed, Reachable: true, Watched: true, LastSeen: morning}}
	p.now = morning
	err := p.store.Watched(context.Background(), "fan", morning.Add(-time.Hour))
	if err == nil {
		err = p.store.Blind(context.Background(), "fan", morning.Add(-30*time.Minute), morning.Add(-30*time.Minute), capture.CauseUnreachable, "")
	}
	if err != nil {
		t.Fatal(err)
	}
	has(t, ask(t, web.New(p.options()), "GET", "/?since=7d", "").Body.String(), "watched 50.0 %")
}

func TestCapturePage(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	h := web.New(p.options())
	w := ask(t, h, "GET", "/capture/"+string(caps[0].ID), "")
	has(t, w.Body.String(), "Bucket elevator", "Continuous overcurrent, output 1 (2311)", "Wed 25 Nov 2026 03:12:07.41 ±0.13 s", "whole, verified", "CRC-32 of the drive",
		"modbus 10.20.0.11:502/1", "147 requests", caps[0].Integrity.SHA256, caps[0].Integrity.Parts[0].SHA256, "not as wanted", "Speed setpoint", "measure the DC link", "−")
	has(t, ask(t, h, "GET", "/capture/"+string(caps[1].ID), "").Body.String(), "The drive was reset 0.4 s after the recording was ready", "1067 of 2048 samples", "not read")
	zoomed := ask(t, h, "GET", "/capture/"+string(caps[0].ID)+"?from=-0.1&to=0.1", "").Body.String()
	has(t, zoomed, `data-from="-0.1"`, `data-to="0.1"`)
	for path, status := range map[string]int{
		"/capture/20991231": http.StatusNotFound, "/capture/" + string(caps[0].ID[:20]): http.StatusNotFound,
		"/capture/" + string(caps[0].ID) + "?from=x": http.StatusBadRequest, "/capture/" + string(caps[0].ID) + "/original/none": http.StatusNotFound,
		"/capture/" + string(caps[0].ID) + "/lanes.svg?w=wide": http.StatusBadRequest, "/capture/" + string(caps[0].ID) + "/at.json?t=NaN": http.StatusBadRequest,
		"/capture/" + string(caps[0].ID) + "/lanes.svg?w=999999999&from=-1e308&to=1e308": http.StatusOK,
		"/drive/nobody": http.StatusNotFound, "/nowhere": http.StatusNotFound, "/?since=never": http.StatusBadRequest, "/?before=tomorrow": http.StatusBadRequest,
		"/static/000000000000/page.css": http.StatusNotFound, "/healthz": http.StatusOK,
	} {
		w := ask(t, h, "GET", path, "")
		if w.Code != status {
			t.Errorf("%s answers %d, want %d", path, w.Code, status)
		}
		if w.Code >= 400 && len(strings.TrimSpace(w.Body.String())) < 20 {
			t.Errorf("%s says only %q", path, w.Body)
		}
	}
	has(t, ask(t, h, "GET", "/capture/20991231", "").Body.String(), "There is no capture under this address.", "/static/")
}

// What is downloaded is what is stored, read by a parser that isn't ours.
func TestDownloads(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	h := web.New(p.options())
	for _, c := range caps[:2] {
		_, series, err := archivePages(p, c)
		if err != nil {
			t.Fatal(err)
		}
		w := ask(t, h, "GET", "/capture/"+string(c.ID)+"/samples.csv", "")
		rows, err := csv.NewReader(w.Body).ReadAll()
		if err != nil || len(rows) != c.Timing.Samples+1 {
			t.Fatalf("%d rows, %v", len(rows), err)
		}
		if rows[0][0] != "t [s]" || rows[0][2] != "Speed [rpm]" {
			t.Errorf("header %v", rows[0])
		}
		for i, row := range rows[1:] {
			if at, err := strconv.ParseFloat(row[0], 64); err != nil || math.Abs(at-c.At(i)) > 1e-6 {
				t.Fatalf("row %d is at %s, want %v", i, row[0], c.At(i))
			}
			for ch := range series {
				got, err := strconv.ParseFloat(row[ch+1], 64)
				if row[ch+1] == "" {
					got, err = math.NaN(), nil
				}
				if want := series[ch][i]; err != nil || got != want && !(math.IsNaN(got) && math.IsNaN(want)) {
					t.Fatalf("row %d channel %d is %q, want %v", i, ch, row[ch+1], want)
				}
			}
		}
		data, have, err := p.store.Original(context.Background(), c.ID, capture.Data)
		if err != nil {
			t.Fatal(err)
		}
		w = ask(t, h, "GET", "/capture/"+string(c.ID)+"/original/data", "")
		if w.Body.String() != string(data) || w.Header().Get("Faultkeep-Have") == "" || len(have) == 0 {
			t.Error("the original bytes differ")
		}
		has(t, w.Header().Get("Content-Disposition"), "attachment; filename="+string(c.ID))
	}
	w := ask(t, h, "GET", "/capture/"+string(caps[0].ID)+"/lanes.svg?save=1", "")
	has(t, w.Header().Get("Content-Security-Policy"), "style-src 'sha256-")
	has(t, w.Body.String(), "<style>", `width="1200"`)
}

// Everything happened once is shown once, over all pages.
func TestPaging(t *testing.T) {
	p := newPlant(t, "Northquay")
	p.live.drives = []web.DriveNow{{Name: "fan"}}
	want := map[string]bool{}
	for i := range 110 {
		at := morning.Add(-time.Duration(i/11) * time.Minute) // eleven trips at the same moment: pages end in the midst of some
		c, data := trip(fmt.Sprintf("belt-%d", i%11), "", at, overcurrent, "jam")
		want[string(p.keep(t, c, data, 0).ID)] = true
		if i%3 == 0 {
			if err := p.store.Miss(context.Background(), capture.Miss{Time: at, Drive: fmt.Sprintf("fan-%d", i), Fault: overcurrent, Cause: capture.CauseReset}, capture.Warning); err != nil {
				t.Fatal(err)
			}
		}
	}
	o := p.options()
	o.Now = func() time.Time { return morning.Add(time.Second) }
	h := web.New(o)
	seen, misses, pages := map[string]int{}, 0, 0
	for next := "/?since=all"; next != ""; pages++ {
		body := ask(t, h, "GET", next, "").Body.String()
		if len(body) > 250_000 {
			t.Errorf("a page has %d bytes", len(body))
		}
		for _, m := range regexp.MustCompile(`class="fault" href="/capture/([^"]*)"`).FindAllStringSubmatch(body, -1) {
			seen[m[1]]++
		}
		misses += strings.Count(body, `class="row miss`)
		next = ""
		if m := regexp.MustCompile(`href="([^"]*)" rel="next"`).FindStringSubmatch(body); m != nil {
			next = strings.ReplaceAll(m[1], "&amp;", "&")
		}
	}
	if pages < 3 || misses != 37 || len(seen) != len(want) {
		t.Errorf("%d pages, %d misses, %d captures", pages, misses, len(seen))
	}
	for id, n := range seen {
		if n != 1 || !want[id] {
			t.Errorf("%s is shown %d times", id, n)
		}
	}
}

func TestPageWeight(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	h := web.New(p.options())
	for _, path := range []string{"/", "/capture/" + string(caps[0].ID)} {
		body := ask(t, h, "GET", path, "").Body.String()
		total := len(body)
		for _, m := range regexp.MustCompile(`/static/[0-9a-f]+/[a-z.]+`).FindAllString(body, -1) {
			w := ask(t, h, "GET", m, "")
			if w.Code != http.StatusOK || !strings.Contains(w.Header().Get("Cache-Control"), "immutable") {
				t.Errorf("%s: %d %v", m, w.Code, w.Header())
			}
			total += w.Body.Len()
		}
		t.Logf("%s weighs %d bytes", path, total)
		if total > 250_000 {
			t.Errorf("%s weighs %d bytes", path, total)
		}
	}
}
