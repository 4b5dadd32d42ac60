package web_test

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/web"
	"faultkeep/store/capture"
)

// Names come from drives, files and people: none becomes markup, on any page.
func TestHostileNames(t *testing.T) {
	evil := `<script>alert(1)</script><img src=x onerror=alert(2)>"'&` + "\u202e"
	p := newPlant(t, evil)
	ctx := context.Background()
	c, data := trip(evil, evil, morning.Add(-time.Hour), capture.Fault{Code: 7, Shown: evil, Name: evil, Table: evil}, "jam")
	for i := range c.Channels {
		c.Channels[i].Name, c.Channels[i].Unit = evil, evil
	}
	c.Channels[7].Bits = []string{evil}
	c.DriveType, c.Provenance.Address, c.Provenance.Map, c.Provenance.Identity = evil, evil, evil, evil
	c.Settings = []capture.Setting{{Name: evil, Value: evil, Wanted: evil}}
	c.Integrity.Verified = []string{evil}
	kept := p.keep(t, c, data, 0)
	cut, cutData := trip(evil, evil, morning.Add(-2*time.Hour), c.Fault, "dip")
	cut = p.keep(t, cut, cutData, 300)
	if err := p.store.Miss(ctx, capture.Miss{Time: morning.Add(-time.Minute), Drive: evil, Title: evil, Fault: c.Fault, Cause: capture.Cause(evil), Text: evil, Advice: evil}, capture.Alarm); err != nil {
		t.Fatal(err)
	}
	if err := p.store.Blind(ctx, evil, morning.Add(-time.Minute), morning.Add(-time.Minute), capture.Cause(evil), evil); err != nil {
		t.Fatal(err)
	}
	p.live.drives = []web.DriveNow{{Name: evil, Title: evil, Address: evil, State: capture.RecorderState(evil), Race: evil, Note: evil, Fault: c.Fault, Tripped: true}}
	o := p.options()
	o.Site, o.Version = evil, evil
	h := web.New(o)
	if _, err := archive.Pages(p.store).Analyse(context.Background(), kept.ID, oslo); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(p.store.Remark(context.Background(), kept.ID, capture.Note{Text: evil, By: "technician"}, []string{"<b>"}, nil),
		p.store.AddRepair(context.Background(), capture.Repair{Drive: evil, At: evening.Add(-time.Hour), Note: evil, Fault: evil})); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"/alerts", "/recurrence", "/recurrence?drive=" + url.QueryEscape(evil), "/compare?id=" + string(kept.ID), "/compare?id=" + url.QueryEscape(evil), "/", "/?fragment=stream", "/?fragment=drives", "/?drive=" + url.QueryEscape(evil), "/?since=" + url.QueryEscape(evil), "/drive/" + url.PathEscape(evil), "/drive/" + url.PathEscape(evil+"x"),
		"/capture/" + string(kept.ID), "/capture/" + string(cut.ID), "/capture/" + url.PathEscape(evil), "/capture/" + string(kept.ID) + "/lanes.svg?save=1", "/" + url.PathEscape(evil)} {
		w := ask(t, h, "GET", path, "")
		body := strings.ToLower(w.Body.String())
		for _, bad := range []string{"<script>", "<img", "javascript:"} {
			if strings.Contains(body, bad) {
				t.Errorf("%s has %s", path, bad)
			}
		}
		bare := regexp.MustCompile(`="[^"]*"`).ReplaceAllString(body, `=""`) // what stands in an attribute's quotes is none
		if regexp.MustCompile(`<[^>]*\son[a-z]+=`).MatchString(bare) {
			t.Errorf("%s has an event handler", path)
		}
		if strings.Contains(body, " style=") {
			t.Errorf("%s has an inline style", path)
		}
	}
	names := ask(t, h, "GET", "/capture/"+string(kept.ID)+"/samples.csv", "")
	if d := names.Header().Get("Content-Disposition"); strings.ContainsAny(d, "<>\"'") {
		t.Error(d)
	}
}

func TestEveryAnswerIsGuarded(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	h := web.New(p.options())
	for _, path := range []string{"/", "/capture/" + string(caps[0].ID), "/capture/x", "/drive/slew", "/nowhere", "/healthz", "/api/v1/captures", "/api/", "/static/x/page.css",
		"/capture/" + string(caps[0].ID) + "/lanes.svg", "/capture/" + string(caps[0].ID) + "/samples.csv"} {
		w := ask(t, h, "GET", path, "")
		csp := w.Header().Get("Content-Security-Policy")
		has(t, csp, "default-src 'none'", "frame-ancestors 'none'")
		if strings.Contains(csp, "unsafe") {
			t.Errorf("%s: %s", path, csp)
		}
		if w.Header().Get("X-Content-Type-Options") != "nosniff" || w.Header().Get("Referrer-Policy") != "no-referrer" {
			t.Errorf("%s: %v", path, w.Header())
		}
		// A web site that points its own name here is turned away (DNS rebinding).
		for host, allowed := range map[string]bool{"evil.example": false, "evil.example:8417": false, "localhost.evil.example": false, "": false,
			"localhost:8417": true, "127.0.0.1": true, "[::1]:8417": true, "192.0.2.7:8417": true} {
			got := ask(t, h, "GET", path, "", "Host", host)
			if (got.Code == http.StatusMisdirectedRequest) == allowed {
				t.Errorf("%s under %q answers %d", path, host, got.Code)
			}
		}
	}
	o := p.options()
	o.Hosts = []string{"faultkeep.northquay.example"}
	if w := ask(t, web.New(o), "GET", "/", "", "Host", "Faultkeep.Northquay.example:8417"); w.Code != http.StatusOK {
		t.Errorf("the configured name answers %d", w.Code)
	}
}

// Live connections are bounded, end with their reader, and tell of changes.
func TestEvents(t *testing.T) {
	p := newPlant(t, "Northquay")
	p.live.drives = []web.DriveNow{{Name: "fan"}}
	o := p.options()
	o.Streams = 1
	s := httptest.NewServer(web.New(o))
	defer s.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	open := func(ctx context.Context) *http.Response {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, s.URL+"/events", nil)
		if err != nil {
			t.Fatal(err)
		}
		w, err := s.Client().Do(r)
		if err != nil {
			t.Fatal(err)
		}
		return w
	}
	one, hangUp := context.WithCancel(ctx)
	first := open(one)
	read := make([]byte, 1000)
	n, err := io.ReadAtLeast(first.Body, read, 35)
	if err != nil || !strings.Contains(string(read[:n]), "event: change") {
		t.Fatal(string(read[:n]), err)
	}
	p.live.change(func([]web.DriveNow) {})
	if n, err = first.Body.Read(read); err != nil || !strings.Contains(string(read[:n]), "event: change") {
		t.Fatal(string(read[:n]), err)
	}
	if second := open(ctx); second.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("one too many answers %d", second.StatusCode)
	}
	hangUp()
	for {
		w := open(ctx)
		w.Body.Close()
		if w.StatusCode == http.StatusOK {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	cancel()
}
