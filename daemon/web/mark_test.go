package web_test

import (
	"context"
	"net/http"
	"net/url"
	"testing"

	"github.com/chromedp/chromedp"

	"faultkeep/daemon/web"
)

// Forms mark captures, write and delete notes, and say what they can't take.
func TestMarkForms(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	h := web.New(p.options())
	id := string(caps[0].ID)
	send := func(form url.Values, status int) string {
		t.Helper()
		w := ask(t, h, "POST", "/mark", form.Encode(), "Content-Type", "application/x-www-form-urlencoded")
		if w.Code != status {
			t.Errorf("%v answers %d: %s", form, w.Code, w.Body)
		}
		return w.Header().Get("Location")
	}
	if to := send(url.Values{"id": {id, string(caps[1].ID)}, "reviewed": {"true"}}, http.StatusSeeOther); to != "/" {
		t.Error(to)
	}
	if to := send(url.Values{"id": {id}, "back": {"capture"}, "pinned": {"true"}, "note": {"<b>scraper</b> was worn"}, "tags": {"night, scraper"}}, http.StatusSeeOther); to != "/capture/"+id+"#notes" {
		t.Error(to)
	}
	has(t, ask(t, h, "GET", "/capture/"+id, "").Body.String(), "&lt;b&gt;scraper&lt;/b&gt; was worn", "Reviewed Wed 25 Nov 06:40.", "it stays, however old it gets", `value="scraper"`)
	has(t, ask(t, h, "GET", "/", "").Body.String(), "reviewed, pinned, 1 note, night, scraper")
	r, err := p.store.Remarks(context.Background(), caps[0].ID)
	if err != nil || len(r[caps[0].ID].Notes) != 1 {
		t.Fatal(r, err)
	}
	at := r[caps[0].ID].Notes[0].At.Format("2006-01-02T15:04:05.999999999Z07:00")
	send(url.Values{"id": {id}, "drop_note": {at}, "untag": {"night"}}, http.StatusSeeOther)
	send(url.Values{"id": {id}, "drop_note": {at}}, http.StatusNotFound)
	if r, _ := p.store.Remarks(context.Background(), caps[0].ID); len(r[caps[0].ID].Notes) != 0 || len(r[caps[0].ID].Tags) != 1 {
		t.Errorf("%+v", r)
	}
	for _, bad := range []url.Values{{}, {"id": {id}, "reviewed": {"perhaps"}}, {"id": {id}, "drop_note": {"noon"}}, {"id": {id}, "tags": {"a-tag-that-is-far-longer-than-forty-characters"}}} {
		send(bad, http.StatusBadRequest)
	}
	send(url.Values{"id": {"1999"}, "reviewed": {"true"}}, http.StatusNotFound)
}

// By keys alone: to the second trip, mark it as reviewed, then open the first.
func TestKeys(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	address, host := serve(t, p)
	b := newBrowser(t)
	b.open(address+"/", 1280, "light")
	key := func(keys string) {
		t.Helper()
		for _, k := range keys {
			b.must(chromedp.Do(b.ctx, chromedp.KeyEvent(string(k))))
		}
	}
	key("jjkj")
	b.until("the second trip has the focus", `document.activeElement.getAttribute("href") === "/capture/`+string(caps[1].ID)+`"`)
	key("r")
	b.until("it is reviewed", `document.readyState === "complete" && document.querySelectorAll(".row.done").length === 1 && document.querySelector(".row.done").textContent.includes("01:47:31")`)
	key("j\r")
	b.until("the first trip is open", `location.pathname === "/capture/`+string(caps[0].ID)+`"`)
	b.until("it tells what moved first", `!!document.querySelector("header .first")?.textContent.includes("first")`)
	b.clean(host)
}
