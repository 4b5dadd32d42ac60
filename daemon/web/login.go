package web

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"faultkeep/daemon/login"
)

// door says who may come through to a route. It matters only where there are
// users; without them everybody may do everything, and the API wants its token.
type door int

const (
	forUsers   door = iota // whoever is logged in, and to change anything, technicians
	forAll                 // what is needed before anybody is logged in
	forToken               // the command line, by the token
	forScraper             // whoever is logged in, or the token
)

// route is a pattern and who may come through.
type route struct {
	pattern string
	door    door
}

// admit puts a door in front of a route.
func (s *server) admit(d door, next http.Handler) http.Handler {
	if s.Login == nil || d == forAll || d == forToken { // api asks for the token itself
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if d == forScraper && s.bearer(r) {
			next.ServeHTTP(w, r)
			return
		}
		// What a page asks for by itself while it stands open is no sign of its reader.
		u, ok := s.Login.Who(sessionOf(r), !r.URL.Query().Has("fragment") && r.URL.Path != "/events")
		changes := r.Method != http.MethodGet && r.Method != http.MethodHead
		switch {
		case !ok:
			s.page(turnAway).ServeHTTP(w, r)
			return
		case changes && !u.MayChange():
			s.page(func(http.ResponseWriter, *http.Request) error {
				return &refusal{http.StatusForbidden, "A viewer only looks.", "Log in as a technician to review, note, pin or tell of a repair."}
			}).ServeHTTP(w, r)
			return
		case changes:
			s.Log.Info("a change on the page", "user", u.Name, "method", r.Method, "path", r.URL.Path)
		}
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), userKey{}, u)))
	})
}

// userKey is where admit puts the user into a request's context.
type userKey struct{}

// everybody is whose visits are noted where nobody logs in.
const everybody = "page"

// whose is who looks: the user, or everybody where nobody logs in.
func whose(ctx context.Context) string {
	if u, ok := ctx.Value(userKey{}).(login.User); ok {
		return u.Name
	}
	return everybody
}

// mayChange tells whether whoever looks may do more.
func (s *server) mayChange(ctx context.Context) bool {
	u, ok := ctx.Value(userKey{}).(login.User)
	return s.Login == nil || ok && u.MayChange()
}

// turnAway sends whoever isn't logged in to the page for it, and back afterwards.
func turnAway(w http.ResponseWriter, r *http.Request) error {
	mode := r.Header.Get("Sec-Fetch-Mode")
	script := bare(r) || r.URL.Path == "/events" || r.URL.Path == "/metrics" || mode != "" && mode != "navigate"
	if script || r.Method != http.MethodGet && r.Method != http.MethodHead {
		return &refusal{http.StatusForbidden, "Nobody is logged in here.", "Open the page anew and log in."}
	}
	to := "/login"
	if at := r.URL.RequestURI(); at != "/" {
		to += "?" + url.Values{"to": {at}}.Encode()
	}
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}

// bearer tells whether a request carries the token.
func (s *server) bearer(r *http.Request) bool {
	want, got := sha256.Sum256([]byte("Bearer "+s.Token)), sha256.Sum256([]byte(r.Header.Get("Authorization")))
	return subtle.ConstantTimeCompare(want[:], got[:]) == 1 && s.Token != ""
}

// sessionCookie holds a session's ID. The prefix makes browsers take it only
// from this very host and over TLS: draft-ietf-httpbis-rfc6265bis, section 4.1.3.2.
const sessionCookie = "__Host-faultkeep"

func sessionOf(r *http.Request) string {
	c, err := r.Cookie(sessionCookie)
	if err != nil {
		return ""
	}
	return c.Value
}

// giveSession sets the cookie; with an empty ID it takes it away.
func giveSession(w http.ResponseWriter, id string) {
	c := &http.Cookie{Name: sessionCookie, Value: id, Path: "/", Secure: true, HttpOnly: true, SameSite: http.SameSiteStrictMode}
	if id == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

type loginPage struct {
	frame
	To    string // where to go afterwards
	Came  bool   // by a link from elsewhere, maybe, with which browsers don't send the cookie
	Wrong string // why it didn't work
}

// loginPage is the only page that people see who aren't logged in. It tells
// neither the site nor the version nor the time zone.
func (s *server) loginPage(w http.ResponseWriter, r *http.Request) error {
	if s.Login == nil {
		return s.nowhere(w, r)
	}
	s.showLogin(w, r, http.StatusOK, r.URL.Query().Get("to"), "")
	return nil
}

func (s *server) showLogin(w http.ResponseWriter, r *http.Request, status int, to, wrong string) {
	page := loginPage{frame: s.frame("Log in"), To: ownPath(to), Wrong: wrong}
	page.Came = page.To != "/" && wrong == ""
	page.Site, page.Version, page.Zone = "", "", ""
	s.show(w, r, status, "login.html", page)
}

// mostForm is the size of a login form, in bytes: a name, a password, a path,
// each letter of which can take three.
const mostForm = 16 << 10

func (s *server) logIn(w http.ResponseWriter, r *http.Request) error {
	if s.Login == nil {
		return s.nowhere(w, r)
	}
	r.Body = http.MaxBytesReader(w, r.Body, mostForm)
	if err := readForm(r); err != nil {
		return err
	}
	name, to := r.PostForm.Get("name"), ownPath(r.PostForm.Get("to"))
	id, err := s.Login.Login(r.Context(), name, r.PostForm.Get("password"), r.RemoteAddr)
	var wait *login.WaitError
	who := "unknown" // what was typed as a name can be a password
	if s.Login.Knows(name) {
		who = name
	}
	switch {
	case err == nil:
	case errors.As(err, &wait):
		seconds := int(math.Ceil(wait.For.Seconds()))
		w.Header().Set("Retry-After", strconv.Itoa(seconds))
		s.Log.Debug("a login has to wait", "user", who, "from", r.RemoteAddr)
		s.showLogin(w, r, http.StatusTooManyRequests, to,
			"Too many wrong passwords. The next one is looked at in "+lasting(time.Duration(seconds)*time.Second)+".")
		return nil
	case errors.Is(err, login.ErrBusy):
		w.Header().Set("Retry-After", "2")
		s.showLogin(w, r, http.StatusServiceUnavailable, to, "Too many people are logging in at this moment. Try again in a few seconds.")
		return nil
	case errors.Is(err, login.ErrWrong):
		s.Log.Warn("a login was refused", "user", who, "from", r.RemoteAddr)
		s.showLogin(w, r, http.StatusForbidden, to, "The name or the password isn't right.")
		return nil
	default:
		return err
	}
	s.Login.Logout(sessionOf(r)) // a session that came along is never gone on with
	giveSession(w, id)
	s.Log.Info("logged in", "user", name, "from", r.RemoteAddr)
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, to, http.StatusSeeOther) //nolint:gosec // ownPath lets no other site through
	return nil
}

// logOut ends the session, if there is one, and lets the browser forget what it saw.
func (s *server) logOut(w http.ResponseWriter, r *http.Request) error {
	if s.Login == nil {
		return s.nowhere(w, r)
	}
	s.Login.Logout(sessionOf(r))
	giveSession(w, "")
	w.Header().Set("Clear-Site-Data", `"cache"`)
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, "/login", http.StatusSeeOther)
	return nil
}

// ownPath is a path of this page with its query, or "/" where the text is
// anything else: nobody is sent to another site after having logged in.
func ownPath(text string) string {
	// Browsers take a backslash for a slash, and drop tabs and line ends.
	if strings.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r == '\\' || r == 0x7f }) {
		return "/"
	}
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || u.Opaque != "" || !strings.HasPrefix(u.Path, "/") {
		return "/"
	}
	path := u.EscapedPath()
	if strings.HasPrefix(path, "//") || path == "/login" || path == "/logout" {
		return "/"
	}
	if u.RawQuery != "" {
		path += "?" + u.RawQuery
	}
	return path
}
