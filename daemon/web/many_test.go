package web_test

import (
	"context"
	"flag"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/web"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

var many = flag.Int("many", 2000, "how many captures the store of TestAmongMany has; the aims are for 100000")

// Among very many captures the pages still come at once: the home page with a
// hundred since the last visit, all there are by pages, a drive, recurrence.
func TestAmongMany(t *testing.T) {
	few, _ := filled(t, 100)
	all, newest := filled(t, *many)
	floor, took := asked(t, few), asked(t, all)
	t.Logf("home page among %d captures: %.1f ms, %.1f times as long as among 100 (aim: 50 ms among 100000)", *many, took.Seconds()*1e3, took.Seconds()/floor.Seconds())
	s := httptest.NewServer(all)
	defer s.Close()
	host := strings.TrimPrefix(s.URL, "http://")
	b := newBrowser(t)
	for _, path := range []string{"/", "/?since=all", "/drive/" + url.PathEscape(newest.Drive), "/capture/" + string(newest.ID), "/recurrence?drive=" + url.QueryEscape(newest.Drive)} {
		begun := time.Now()
		b.open(s.URL+path, 1280, "light")
		t.Logf("%s in the browser: %.0f ms", path, time.Since(begun).Seconds()*1e3)
		if text := eval[string](b, `document.querySelector("main").textContent`); !strings.Contains(text, "2311") {
			t.Errorf("%s shows %.200q", path, text)
		}
	}
	b.clean(host)
}

// From the home page to the first mover of the newest trip: it stands there, so
// nothing has to be pressed; one press opens the trip, whose page tells it too.
func TestWayToTheFirstMover(t *testing.T) {
	p := newPlant(t, "Northquay")
	p.night(t)
	address, host := serve(t, p)
	b := newBrowser(t)
	b.open(address+"/", 1280, "light")
	first := eval[string](b, `document.querySelector(".row.capture .first").textContent`)
	if !strings.Contains(first, "first") {
		t.Errorf("the home page tells of the newest trip: %q", first)
	}
	b.must(chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS(".row.capture a.fault"))))
	b.until("the trip tells the same", `document.querySelector("header .first")?.textContent === `+strconv.Quote(first))
	b.clean(host)
}

// asked is the shortest time of the home page, of five.
func asked(b testing.TB, h http.Handler) time.Duration {
	b.Helper()
	best := time.Hour
	for range 5 {
		begun := time.Now()
		if w := ask(b, h, "GET", "/", ""); w.Code != http.StatusOK {
			b.Fatal(w.Code)
		}
		best = min(best, time.Since(begun))
	}
	return best
}

// filled are the pages of a store with n captures, ten minutes apart up to this morning.
func filled(b testing.TB, n int) (h http.Handler, newest capture.Capture) {
	b.Helper()
	dir := b.TempDir()
	if shm, err := os.MkdirTemp("/dev/shm", "faultkeep-bench-"); err == nil { // filling it is not what is measured
		dir = shm
		b.Cleanup(func() { _ = os.RemoveAll(shm) })
	}
	now := morning
	s, err := store.Open(context.Background(), store.Options{Path: dir + "/" + archive.StoreFile, Now: func() time.Time { return now }})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = s.Close() })
	begin := morning.Add(-time.Duration(n) * 10 * time.Minute)
	for i := range 10 {
		if err := s.Watched(context.Background(), fmt.Sprint("drive ", i), begin); err != nil {
			b.Fatal(err)
		}
	}
	for i := range n {
		c, data := storetest.Recording(fmt.Sprint("drive ", i%10), i, 4, 64)
		c.Trigger.Time = begin.Add(time.Duration(i) * 10 * time.Minute).UTC()
		c.Trigger.Earliest, c.Trigger.Latest = c.Trigger.Time, c.Trigger.Time
		c.Provenance.Ready = c.Trigger.Time
		c.ID = capture.NewID(c.Trigger.Time, c.Drive, fmt.Sprint(i))
		now = c.Trigger.Time.Add(time.Second)
		d, err := s.Draft(context.Background(), c)
		if err != nil {
			b.Fatal(err)
		}
		if newest, err = d.Keep(context.Background(), c, storetest.Chunk(data, 0, len(data))); err != nil {
			b.Fatal(err)
		}
	}
	now = morning
	if err := archive.Pages(s).SetVisit(context.Background(), "page", morning.Add(-100*10*time.Minute)); err != nil {
		b.Fatal(err)
	}
	return web.New(web.Options{Site: "Northquay", Zone: oslo, Version: "0", Token: "x", Store: archive.Pages(s), Live: &live{}, Now: func() time.Time { return morning }}), newest
}
