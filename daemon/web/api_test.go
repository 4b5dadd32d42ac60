package web_test

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/web"
	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

const token = "Bearer let-me-in"

// api asks the API and decodes its answer.
func api[T any](t *testing.T, h http.Handler, path string, status int) T {
	t.Helper()
	w := ask(t, h, "GET", "/api/v1/"+path, "", "Authorization", token)
	var v T
	if w.Code != status || w.Header().Get("Content-Type") != "application/json" {
		t.Fatalf("%s answers %d %s", path, w.Code, w.Body)
	}
	if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
		t.Fatalf("%s: %v in %s", path, err, w.Body)
	}
	return v
}

func TestAPINeedsItsToken(t *testing.T) {
	p := newPlant(t, "Northquay")
	p.night(t)
	h := web.New(p.options())
	for _, login := range []string{"", "Bearer", "Bearer wrong", "let-me-in", "bearer let-me-in", token + " "} {
		for _, path := range []string{"/api/v1/captures", "/api/v1/verify", "/api/v1/drives", "/api/v1/nothing"} {
			w := ask(t, h, "GET", path, "", "Authorization", login)
			if w.Code != http.StatusUnauthorized || !strings.Contains(w.Body.String(), "daemon.json") {
				t.Errorf("%s with %q answers %d %s", path, login, w.Code, w.Body)
			}
		}
	}
	o := p.options()
	o.Token = ""
	for _, login := range []string{"", "Bearer ", "Bearer"} {
		if w := ask(t, web.New(o), "GET", "/api/v1/captures", "", "Authorization", login); w.Code != http.StatusUnauthorized {
			t.Errorf("without a token the API is open to %q: %d", login, w.Code)
		}
	}
	if w := ask(t, h, "GET", "/healthz", ""); w.Code != http.StatusOK || w.Body.String() != "alive\n" {
		t.Errorf("healthz: %d %q", w.Code, w.Body)
	}
}

func TestAPI(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	h := web.New(p.options())

	all := api[[]capture.Capture](t, h, "captures", 200)
	if len(all) != 4 || all[0].ID != caps[0].ID || all[0].Integrity.SHA256 != caps[0].Integrity.SHA256 {
		t.Errorf("captures: %d", len(all))
	}
	since := url.QueryEscape(evening.Format(time.RFC3339))
	for query, n := range map[string]int{"since=" + since: 3, "until=" + since: 1, "drive=elevator": 2, "drive=nobody": 0, "fault=3221": 1,
		"limit=1": 1, "before=" + string(caps[0].ID): 3} {
		if got := api[[]capture.Capture](t, h, "captures?"+query, 200); len(got) != n {
			t.Errorf("%s: %d captures, want %d", query, len(got), n)
		}
	}
	if w := ask(t, h, "GET", "/api/v1/captures?drive=nobody", "", "Authorization", token); strings.TrimSpace(w.Body.String()) != "[]" {
		t.Errorf("no captures are %s", w.Body)
	}
	if got := api[capture.Capture](t, h, "captures/"+string(caps[1].ID[:16]), 200); got.ID != caps[1].ID {
		t.Errorf("a prefix finds %s", got.ID)
	}
	if f := api[wire.Failure](t, h, "captures/20261125", 409); f.Kind != wire.KindAmbiguous || len(f.Candidates) != 2 {
		t.Errorf("%+v", f)
	}
	if f := api[wire.Failure](t, h, "captures/1999", 404); f.Kind != wire.KindNotFound || f.Error == "" {
		t.Errorf("%+v", f)
	}
	for _, query := range []string{"since=yesterday", "limit=-1", "limit=many"} {
		if f := api[wire.Failure](t, h, "captures?"+query, 400); f.Kind != wire.KindRequest {
			t.Errorf("%+v", f)
		}
	}
	if f := api[wire.Failure](t, h, "nothing", 404); f.Hint == "" {
		t.Errorf("%+v", f)
	}

	w := ask(t, h, "GET", "/api/v1/captures/"+string(caps[1].ID)+"/data", "", "Authorization", token)
	have, err := wire.ParseRanges(w.Header().Get(wire.HaveHeader), int64(w.Body.Len()))
	if err != nil || len(have) != len(caps[1].Channels) || int64(w.Body.Len()) != caps[1].Integrity.Size {
		t.Errorf("%d bytes, ranges %v, %v", w.Body.Len(), have, err)
	}

	if got := api[[]capture.Miss](t, h, "misses", 200); len(got) != 2 || got[0].Advice == "" {
		t.Errorf("misses %+v", got)
	}
	if got := api[[]capture.Spell](t, h, "spells?drive=slew", 200); len(got) != 5 {
		t.Errorf("spells %+v", got)
	}
	if got := api[[]wire.Entry](t, h, "ledger", 200); len(got) < 5 {
		t.Errorf("ledger %+v", got)
	}
	if got := api[[]web.DriveNow](t, h, "drives", 200); len(got) != 5 || got[3].Reachable {
		t.Errorf("drives %+v", got)
	}
	if got := api[web.Status](t, h, "status", 200); got.Drives != 5 || got.Watched != 3 || got.Alerts.Waiting != 1 || got.Version != "0.1.0" {
		t.Errorf("status %+v", got)
	}

	w = ask(t, h, "POST", "/api/v1/verify", "", "Authorization", token)
	lines := strings.Split(strings.TrimSpace(w.Body.String()), "\n")
	var last wire.VerifyLine
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &last); err != nil || last.Report == nil || last.Report.Captures != 4 || len(last.Report.Problems) != 0 {
		t.Errorf("verify ends with %s", lines[len(lines)-1])
	}
}

// Findings, recurrences and repairs over the API.
func TestStudyAPI(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	h := web.New(p.options())
	if st := api[capture.Study](t, h, "findings/"+string(caps[0].ID), 200); st.Version == 0 || len(st.Findings) == 0 {
		t.Errorf("%+v", st)
	}
	send := func(method, path, body string, status int) string {
		t.Helper()
		w := ask(t, h, method, "/api/v1/"+path, body, "Authorization", token)
		if w.Code != status {
			t.Errorf("%s %s answers %d %s", method, path, w.Code, w.Body)
		}
		return w.Body.String()
	}
	has(t, send("POST", "findings/"+string(caps[1].ID), "", 200), `"findings":[`)
	has(t, send("POST", "findings/1999", "", 404), "no capture begins with")
	send("GET", "findings/1999", "", 404)
	all := api[[]wire.Recurrence](t, h, "recurrences?drive=elevator", 200)
	if len(all) != 3 || all[2].Family != "2311-A" || all[0].Fault != "" || all[1].Fault != "Continuous overcurrent, output 1 (2311)" || len(all[1].Trips) != 2 {
		t.Errorf("%+v", all)
	}
	has(t, send("GET", "recurrences?zone=Atlantis", "", 400), `\"Atlantis\" is no zone`)
	repair := `{"drive":"elevator","at":"` + evening.Add(-time.Hour).UTC().Format(time.RFC3339) + `","note":"scraper replaced"}`
	send("POST", "repairs", repair, 200)
	if list := api[[]capture.Repair](t, h, "repairs?drive=elevator", 200); len(list) != 1 || list[0].Note != "scraper replaced" {
		t.Errorf("%+v", list)
	}
	for _, bad := range []string{"", "[]", `{"drive":"elevator"}`, `{"drive":"elevator","at":"2126-01-01T00:00:00Z","note":"x"}`, `{"drive":"elevator","unknown":1}`, `{"drive":"`} {
		send("POST", "repairs", bad, 400)
	}
	send("DELETE", "repairs", repair, 200)
	has(t, send("DELETE", "repairs", repair, 404), "no repair of elevator is noted for")
}
