package web_test

import (
	"bytes"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/login"
	"faultkeep/daemon/web"
	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// The hashes cost next to nothing; daemon/login's tests say where they are from.
const (
	annasPassword = "the long way home"
	annasHash     = "$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$4qoCcNCmUb80wGmnWfpPeg"
	ottosPassword = "a quiet night shift"
	ottosHash     = "$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$NamJHM2/l0ks2xh7NWyeWw"
)

func desk(t *testing.T) *login.Desk {
	t.Helper()
	d, err := login.New([]login.User{{Name: "anna", Role: login.Technician, Hash: annasHash},
		{Name: "ida", Role: login.Technician, Hash: annasHash}, {Name: "otto", Role: login.Viewer, Hash: ottosHash}})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func form(fields ...string) string {
	v := url.Values{}
	for i := 0; i+1 < len(fields); i += 2 {
		v.Set(fields[i], fields[i+1])
	}
	return v.Encode()
}

// session is the cookie that an answer sets, as name=value; "" if it sets none.
func session(t *testing.T, w *httptest.ResponseRecorder) string {
	t.Helper()
	cookies := w.Result().Cookies()
	if len(cookies) == 0 {
		return ""
	}
	c := cookies[0]
	// draft-ietf-httpbis-rfc6265bis, section 4.1.3.2: __Host- wants Secure, Path=/ and no Domain.
	if len(cookies) != 1 || !strings.HasPrefix(c.Name, "__Host-") || !c.Secure || !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" {
		t.Errorf("%v", w.Header()["Set-Cookie"])
	}
	return c.Name + "=" + c.Value
}

// as logs in and gives the cookie.
func as(t *testing.T, h http.Handler, name, password string) string {
	t.Helper()
	w := ask(t, h, "POST", "/login", form("name", name, "password", password, "to", "/unread"), "Sec-Fetch-Site", "same-origin")
	cookie := session(t, w)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/unread" || cookie == "" {
		t.Fatalf("%s: %d %v", name, w.Code, w.Header())
	}
	return cookie
}

func withUsers(t *testing.T) (*plant, http.Handler) {
	t.Helper()
	p := newPlant(t, "Northquay")
	p.night(t)
	o := p.options()
	o.Login = desk(t)
	o.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("figures")) })
	return p, web.New(o)
}

func TestWithoutUsersNobodyLogsIn(t *testing.T) {
	p := newPlant(t, "Northquay")
	h := web.New(p.options())
	for _, r := range [][2]string{{"GET", "/login"}, {"POST", "/login"}, {"POST", "/logout"}} {
		if w := ask(t, h, r[0], r[1], "name=anna&password=x"); w.Code != http.StatusNotFound && w.Code != http.StatusMethodNotAllowed || session(t, w) != "" {
			t.Errorf("%v: %d %v", r, w.Code, w.Header())
		}
	}
	if w := ask(t, h, "GET", "/", ""); w.Code != http.StatusOK || strings.Contains(w.Body.String(), "/logout") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestLogin(t *testing.T) {
	_, h := withUsers(t)
	w := ask(t, h, "GET", "/capture/x?from=-1&to=1", "")
	if at := w.Header().Get("Location"); w.Code != http.StatusSeeOther || at != "/login?to=%2Fcapture%2Fx%3Ffrom%3D-1%26to%3D1" {
		t.Errorf("%d to %s", w.Code, at)
	}
	w = ask(t, h, "GET", w.Header().Get("Location"), "")
	has(t, w.Body.String(), "Log in to faultkeep", `name="to" value="/capture/x?from=-1&amp;to=1"`, `type="password"`)
	for _, word := range []string{"Northquay", "0.1.0", "Oslo", "anna"} {
		if strings.Contains(w.Body.String(), word) {
			t.Errorf("%q is told to whoever asks", word)
		}
	}
	for _, wrong := range [][2]string{{"anna", ottosPassword}, {"nobody", annasPassword}, {"", ""}} {
		w := ask(t, h, "POST", "/login", form("name", wrong[0], "password", wrong[1], "to", "/unread"))
		if w.Code != http.StatusForbidden || session(t, w) != "" || !strings.Contains(w.Body.String(), "The name or the password isn&#39;t right.") {
			t.Errorf("%v: %d %v", wrong, w.Code, w.Header())
		}
		has(t, w.Body.String(), `name="to" value="/unread"`)
	}
	anna := as(t, h, "anna", annasPassword)
	w = ask(t, h, "GET", "/", "", "Cookie", anna)
	has(t, w.Body.String(), "anna, technician", `action="/logout"`, `id="seen"`)
	if got := w.Header().Get("Cache-Control"); w.Code != http.StatusOK || got != "private, no-cache" {
		t.Errorf("%d %s", w.Code, got)
	}
	has(t, ask(t, h, "GET", "/", "", "Cookie", as(t, h, "otto", ottosPassword)).Body.String(), "otto, viewer")
	w = ask(t, h, "POST", "/logout", "", "Cookie", anna)
	if w.Code != http.StatusSeeOther || w.Header().Get("Clear-Site-Data") != `"cache"` || w.Result().Cookies()[0].MaxAge >= 0 {
		t.Errorf("%d %v", w.Code, w.Header())
	}
	for _, path := range []string{"/", "/events", "/metrics", "/?fragment=drives"} {
		if w := ask(t, h, "GET", path, "", "Cookie", anna); w.Code == http.StatusOK {
			t.Errorf("the cookie of an ended session opens %s", path)
		}
	}
	// What a page asks for by itself isn't sent to another page.
	for _, path := range []string{"/?fragment=drives", "/events", "/capture/x/lanes.svg", "/capture/x/at.json", "/metrics", "/capture/x/envelope"} {
		if w := ask(t, h, "GET", path, "", "Sec-Fetch-Mode", "cors"); w.Code != http.StatusForbidden || w.Header().Get("Location") != "" {
			t.Errorf("%s: %d %v", path, w.Code, w.Header())
		}
	}
}

// Nobody goes on with a session that he had no part in beginning.
func TestSessionFixation(t *testing.T) {
	_, h := withUsers(t)
	planted := "__Host-faultkeep=AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
	otto := as(t, h, "otto", ottosPassword) // the attacker's own, planted in another's browser
	for _, before := range []string{planted, otto} {
		w := ask(t, h, "POST", "/login", form("name", "anna", "password", annasPassword), "Cookie", before)
		after := session(t, w)
		if after == "" || after == before {
			t.Errorf("%q becomes %q", before, after)
		}
		if w := ask(t, h, "GET", "/", "", "Cookie", before); w.Code == http.StatusOK {
			t.Errorf("%q is a session after another logged in with it", before)
		}
	}
	// Another site can't log somebody in or out.
	for _, path := range []string{"/login", "/logout"} {
		for _, from := range [][2]string{{"Sec-Fetch-Site", "cross-site"}, {"Sec-Fetch-Site", "same-site"}, {"Origin", "https://evil.example"}, {"Origin", "null"}} {
			w := ask(t, h, "POST", path, form("name", "otto", "password", ottosPassword), from[0], from[1])
			if w.Code != http.StatusForbidden || session(t, w) != "" {
				t.Errorf("%s with %v: %d", path, from, w.Code)
			}
		}
	}
}

func TestLoginLeadsToOwnPagesOnly(t *testing.T) {
	for to, want := range map[string]string{
		"/": "/", "/unread": "/unread", "/capture/a%2Fb?from=-1&to=2": "/capture/a%2Fb?from=-1&to=2", "/drive/F%C3%B6rderband": "/drive/F%C3%B6rderband",
		"/?since=7d#x": "/?since=7d",
		"":             "/", "unread": "/", "https://evil.example/": "/", "https://evil.example/x": "/", "//evil.example/x": "/", "//user@/x": "/", "https:/x": "/", "//evil.example/": "/", "///evil.example": "/", "/\\evil.example": "/", "\\\\evil.example": "/",
		"/\t/evil.example": "/", "/\n/evil.example": "/", " //evil.example": "/", "https:evil.example": "/", "http:/evil.example": "/", "javascript:alert(1)": "/",
		"/%2F/evil.example": "/%2F/evil.example", "//": "/", "/login?to=/login": "/", "/logout": "/", "/x\r\nSet-Cookie: a=b": "/", "//user@evil.example": "/",
		"/.//evil.example": "/.//evil.example", "?x": "/", "#x": "/", "\x00": "/", "%": "/",
	} {
		if got := web.OwnPath(to); got != want {
			t.Errorf("%q leads to %q, want %q", to, got, want)
		}
	}
	_, h := withUsers(t)
	for _, to := range []string{"//evil.example", "/x\r\nSet-Cookie: a=b", "https://evil.example"} {
		w := ask(t, h, "POST", "/login", form("name", "anna", "password", annasPassword, "to", to))
		if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/" || len(w.Header()["Set-Cookie"]) != 1 {
			t.Errorf("%q: %d %v", to, w.Code, w.Header())
		}
		if body := ask(t, h, "GET", "/login?to="+url.QueryEscape(to), "").Body.String(); strings.Contains(body, "evil") {
			t.Errorf("%q is in the form", to)
		}
	}
}

// Each technician's own visit is noted; a viewer isn't shown what can't be pressed.
func TestVisitsAreEachUsersOwn(t *testing.T) {
	p, h := withUsers(t)
	anna, ida, otto := as(t, h, "anna", annasPassword), as(t, h, "ida", annasPassword), as(t, h, "otto", ottosPassword)
	if w := ask(t, h, "POST", "/seen", form("until", morning.Format(time.RFC3339)), "Cookie", anna); w.Code != http.StatusSeeOther {
		t.Fatal(w.Code, w.Body)
	}
	for who, want := range map[string]time.Time{"anna": morning, "ida": {}, "otto": {}, "page": evening} {
		if at, err := archive.Pages(p.store).Visit(t.Context(), who); err != nil || !at.Equal(want) {
			t.Errorf("%s's visit is %v, %v", who, at, err)
		}
	}
	if w := ask(t, h, "GET", "/", "", "Cookie", anna); strings.Contains(w.Body.String(), "03:12:07") {
		t.Error("what anna saw is shown again")
	}
	has(t, ask(t, h, "GET", "/", "", "Cookie", ida).Body.String(), "03:12:07", `id="seen"`)
	viewers := ask(t, h, "GET", "/", "", "Cookie", otto).Body.String()
	has(t, viewers, "03:12:07")
	if strings.Contains(viewers, `id="seen"`) {
		t.Error("a viewer is shown the button")
	}
}

// A note names who wrote it, whatever the form says, and a viewer writes none.
func TestNotesNameTheirWriter(t *testing.T) {
	p, h := withUsers(t)
	caps, err := archive.Pages(p.store).Captures(t.Context(), wire.Query{Limit: 1})
	if err != nil {
		t.Fatal(err)
	}
	id := caps[0].ID
	note := form("id", string(id), "note", "The bearing was dry", "by", "otto", "back", "capture")
	if w := ask(t, h, "POST", "/mark", note, "Cookie", as(t, h, "otto", ottosPassword)); w.Code != http.StatusForbidden {
		t.Errorf("a viewer's note answers %d", w.Code)
	}
	if w := ask(t, h, "POST", "/mark", note, "Cookie", as(t, h, "anna", annasPassword)); w.Code != http.StatusSeeOther {
		t.Fatal(w.Code, w.Body)
	}
	all, err := archive.Pages(p.store).Marks(t.Context(), []capture.ID{id})
	if err != nil || len(all[id].Notes) != 1 || all[id].Notes[0].By != "anna" {
		t.Errorf("%+v, %v", all[id], err)
	}
	if w := ask(t, h, "POST", "/mark", "note="+strings.Repeat("x", 1<<20), "Cookie", as(t, h, "anna", annasPassword)); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("a huge note answers %d", w.Code)
	}
}

func TestMetricsNeedALoginOrTheToken(t *testing.T) {
	_, h := withUsers(t)
	for _, c := range []struct {
		header, value string
		ok            bool
	}{{"X", "", false}, {"Authorization", "Bearer wrong", false}, {"Authorization", token, true}, {"Cookie", as(t, h, "otto", ottosPassword), true}} {
		if w := ask(t, h, "GET", "/metrics", "", c.header, c.value); (w.Code == http.StatusOK) != c.ok {
			t.Errorf("%s %s: %d", c.header, c.value, w.Code)
		}
	}
	if w := ask(t, h, "GET", "/", "", "Authorization", token); w.Code == http.StatusOK {
		t.Error("the API's token opens a page")
	}
}

// After five wrong passwords each further one waits, and is told for how long.
func TestGuessingOnThePage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := web.New(web.Options{Login: desk(t)})
		try := func(password string) *httptest.ResponseRecorder {
			return ask(t, h, "POST", "/login", form("name", "anna", "password", password))
		}
		for i := range 5 {
			if w := try("guess"); w.Code != http.StatusForbidden {
				t.Fatalf("guess %d answers %d", i, w.Code)
			}
		}
		w := try(annasPassword)
		if w.Code != http.StatusTooManyRequests || w.Header().Get("Retry-After") != "1" || session(t, w) != "" {
			t.Fatalf("%d %v", w.Code, w.Header())
		}
		has(t, w.Body.String(), "Too many wrong passwords. The next one is looked at in 1 s.")
		time.Sleep(time.Second)
		if w := try(annasPassword); w.Code != http.StatusSeeOther {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	})
}

func TestHostileLogins(t *testing.T) {
	_, h := withUsers(t)
	evil := "<script>alert(1)</script>\r\nSet-Cookie: a=b"
	w := ask(t, h, "POST", "/login", form("name", evil, "password", evil, "to", "/"+evil))
	if body := w.Body.String(); w.Code != http.StatusForbidden || strings.Contains(body, "alert(1)") || len(w.Header()["Set-Cookie"]) > 0 {
		t.Errorf("%d %v %s", w.Code, w.Header(), body)
	}
	if w := ask(t, h, "POST", "/login", form("name", "anna", "password", strings.Repeat("x", 20<<10))); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("a huge form answers %d", w.Code)
	}
	if w := ask(t, h, "POST", "/login?password="+url.QueryEscape(annasPassword), "name=anna"); w.Code == http.StatusSeeOther {
		t.Error("a password in the address, which others log, lets in")
	}
	if w := ask(t, h, "POST", "/login", "%zz=%"); w.Code != http.StatusBadRequest {
		t.Errorf("a form that can't be read answers %d", w.Code)
	}
	for _, cookie := range []string{"__Host-faultkeep=", "__Host-faultkeep=\"", "=;=;", strings.Repeat("a=b; ", 5000), "__Host-faultkeep=" + strings.Repeat("x", 60000)} {
		if w := ask(t, h, "GET", "/unread", "", "Cookie", cookie); w.Code != http.StatusSeeOther {
			t.Errorf("%.20q: %d", cookie, w.Code)
		}
	}
}

// Neither the log nor a page holds a password, a hash, a session or the token,
// not even of somebody who typed the password where the name belongs.
func TestNoSecretsInLogsAndPages(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	var told bytes.Buffer
	o := p.options()
	o.Login, o.Log = desk(t), slog.New(slog.NewTextHandler(&told, &slog.HandlerOptions{Level: slog.LevelDebug}))
	h := web.New(o)
	anna := as(t, h, "anna", annasPassword)
	ask(t, h, "POST", "/login", form("name", annasPassword, "password", annasPassword))
	for i := range 8 {
		ask(t, h, "POST", "/login", form("name", "ida", "password", fmt.Sprintf("Guess%d", i)))
	}
	ask(t, h, "POST", "/seen", form("until", morning.Format(time.RFC3339)), "Cookie", anna)
	ask(t, h, "POST", "/seen", "until=Guess", "Cookie", anna)
	has(t, told.String(), "user=anna", "user=unknown", "user=ida", `msg="a change on the page" user=anna method=POST path=/seen`)
	out := told.String()
	for _, path := range []string{"/", "/login", "/unread", "/drive/fan", "/capture/" + string(caps[0].ID), "/nowhere"} {
		out += ask(t, h, "GET", path, "", "Cookie", anna).Body.String()
	}
	_, id, _ := strings.Cut(anna, "=")
	for _, secret := range []string{annasPassword, "Guess", "argon2id", annasHash[30:], id, "let-me-in"} {
		if strings.Contains(out, secret) {
			t.Errorf("%q is told", secret)
		}
	}
}
