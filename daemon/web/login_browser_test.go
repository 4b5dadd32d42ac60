package web_test

import (
	"fmt"
	"net/http/httptest"
	"net/url"
	"testing"

	"github.com/chromedp/chromedp"

	"faultkeep/daemon/web"
)

// A browser logs in by keyboard, comes to the page that it wanted, keeps its
// cookie from scripts, and is out after the button.
func TestLoginInABrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a browser some seconds")
	}
	p := newPlant(t, "Northquay")
	p.night(t)
	o := p.options()
	o.Login = desk(t)
	s := httptest.NewUnstartedServer(web.New(o))
	s.EnableHTTP2 = true
	s.StartTLS()
	t.Cleanup(func() {
		s.CloseClientConnections()
		s.Close()
	})
	u, err := url.Parse(s.URL)
	if err != nil {
		t.Fatal(err)
	}
	b := newBrowser(t, chromedp.Flag("ignore-certificate-errors", true))
	enter := func(name, password string) {
		t.Helper()
		for _, field := range [][2]string{{"#name", name}, {"#password", password + "\r"}} {
			b.must(chromedp.Do(b.ctx, chromedp.Focus(chromedp.CSS(field[0]))))
			b.must(chromedp.Do(b.ctx, chromedp.KeyEvent(field[1])))
		}
	}
	for _, width := range []int64{1280, 360} {
		for _, scheme := range []string{"light", "dark"} {
			b.open(s.URL+"/drive/slew", width, scheme)
			b.until("the login page", `!!(location.pathname === "/login" && document.activeElement?.id === "name")`)
			if over := eval[float64](b, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
				t.Errorf("at %d px it is %v px too wide", width, over)
			}
			b.shot(fmt.Sprintf("login-%s-%d", scheme, width))
		}
	}
	enter("anna", annasPassword)
	b.until("the drive's page", `!!(location.pathname === "/drive/slew" && document.querySelector(".foot")?.textContent.includes("anna, technician"))`)
	if cookie := eval[string](b, `document.cookie`); cookie != "" {
		t.Errorf("a script reads the cookie %q", cookie)
	}
	// A link in somebody's mail brings no cookie along, the next one does.
	b.open("data:text/html,<a href='"+s.URL+"/unread'>x</a>", 1280, "light")
	b.must(chromedp.Do(b.ctx, chromedp.Focus(chromedp.CSS("a"))))
	b.must(chromedp.Do(b.ctx, chromedp.KeyEvent("\r")))
	b.until("the login page", `location.pathname === "/login" && !!document.querySelector("main a")`)
	b.must(chromedp.Do(b.ctx, chromedp.Focus(chromedp.CSS("main a"))))
	b.must(chromedp.Do(b.ctx, chromedp.KeyEvent("\r")))
	b.until("the page that was wanted", `location.pathname === "/unread"`)
	b.open(s.URL+"/", 1280, "light")
	b.until("the page listens", `!!(document.getElementById("lost")?.hidden && document.querySelector("aside")?.textContent.includes("Drives now"))`)
	b.shot("logged-in-light-1280")
	b.open(s.URL+"/", 360, "dark")
	b.shot("logged-in-dark-360")
	b.must(chromedp.Do(b.ctx, chromedp.Focus(chromedp.CSS(".out button"))))
	b.must(chromedp.Do(b.ctx, chromedp.KeyEvent("\r")))
	b.until("out", `location.pathname === "/login"`)
	b.open(s.URL+"/unread", 1280, "light")
	b.until("still out", `location.pathname === "/login"`)
	b.clean(u.Host) // a refused password's status would be an error in the console
	enter("anna", "wrong")
	b.until("refused", `!!(document.querySelector("[role=alert]")?.textContent.includes("isn't right"))`)
	b.shot("login-wrong-light-1280")
}
