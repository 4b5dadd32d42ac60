package web_test

import (
	"context"
	"fmt"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"faultkeep/daemon/web"
)

// browser is one headless Chromium tab that notes what a page mustn't do.
type browser struct {
	t    *testing.T
	ctx  context.Context
	mu   sync.Mutex
	bad  []string // console errors, exceptions, refused loads
	asks []string // addresses asked for
}

// newBrowser starts Chromium. Without one the test is skipped, unless
// FAULTKEEP_REQUIRE_PEERS says that it must be there.
func newBrowser(t *testing.T, more ...chromedp.ExecAllocatorOption) *browser {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
			t.Fatal("no Chromium, and FAULTKEEP_REQUIRE_PEERS asks for it")
		}
		t.Skip("no Chromium here")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-gpu", true), chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	options = append(options, more...)
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 2*time.Minute)
	t.Cleanup(cancel)
	b := &browser{t: t, ctx: ctx}
	b.must(chromedp.Listen(ctx, b.heard))
	b.do(func(ctx context.Context, tab *chromedp.Target) error {
		if _, err := cdp.Call(ctx, tab, network.Enable, network.EnableParams{}); err != nil {
			return err
		}
		_, err := cdp.Call(ctx, tab, log.Enable, cdp.Empty{})
		return err
	})
	return b
}

func (b *browser) heard(event any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := event.(type) {
	case *log.EventEntryAdded:
		if e.Entry.Level == "error" || e.Entry.Level == "warning" {
			b.bad = append(b.bad, fmt.Sprintf("%s: %s (%s)", e.Entry.Level, e.Entry.Text, e.Entry.URL))
		}
	case *runtime.EventExceptionThrown:
		b.bad = append(b.bad, "exception: "+e.ExceptionDetails.Text)
	case *runtime.EventConsoleAPICalled:
		b.bad = append(b.bad, "console."+string(e.Type))
	case *network.EventRequestWillBeSent:
		b.asks = append(b.asks, e.Request.URL)
	}
}

func (b *browser) must(err error) {
	b.t.Helper()
	if err != nil {
		b.t.Fatal(err)
	}
}

func (b *browser) do(f func(ctx context.Context, tab *chromedp.Target) error) {
	b.t.Helper()
	b.must(chromedp.Do(b.ctx, chromedp.Func(f)))
}

// open opens a page at a width, light or dark.
func (b *browser) open(address string, width int64, scheme string) {
	b.t.Helper()
	b.do(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	})
	b.must(chromedp.Do(b.ctx, chromedp.EmulateViewport(width, 800), chromedp.Navigate(address)))
}

// shot writes a picture of the whole page where FAULTKEEP_SHOTS names a folder.
func (b *browser) shot(name string) {
	b.t.Helper()
	dir := os.Getenv("FAULTKEEP_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	b.must(err)
	b.must(os.MkdirAll(dir, 0o755))
	b.must(os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644))
}

// eval gives the value of an expression.
func eval[T any](b *browser, js string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](js))
	b.must(err)
	return v
}

// until waits for an expression to become true.
func (b *browser) until(what, js string) {
	b.t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if eval[bool](b, js) {
			return
		}
	}
	b.t.Fatalf("never: %s", what)
}

// clean checks that nothing was complained of and that nobody else was asked.
func (b *browser) clean(host string) {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, bad := range b.bad {
		b.t.Error(bad)
	}
	for _, ask := range b.asks {
		if u, err := url.Parse(ask); err != nil || u.Host != host && u.Scheme != "data" && u.Scheme != "about" {
			b.t.Errorf("the page asked %s", ask)
		}
	}
}

func serve(t *testing.T, p *plant) (address, host string) {
	t.Helper()
	s := httptest.NewServer(web.New(p.options()))
	t.Cleanup(func() {
		s.CloseClientConnections()
		s.Close()
	})
	u, err := url.Parse(s.URL)
	if err != nil {
		t.Fatal(err)
	}
	return s.URL, u.Host
}

func TestPagesInABrowser(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	address, host := serve(t, p)
	b := newBrowser(t)
	for _, scheme := range []string{"light", "dark"} {
		for _, width := range []int64{1280, 360} {
			for name, path := range map[string]string{"overnight": "/", "capture": "/capture/" + string(caps[0].ID), "partial": "/capture/" + string(caps[1].ID), "drive": "/drive/slew", "drive-week": "/drive/slew?span=week", "drive-month": "/drive/belt-3?span=month", "drive-plain": "/drive/elevator", "hunting": "/capture/" + string(caps[2].ID)} {
				b.open(address+path, width, scheme)
				if strings.HasPrefix(path, "/capture") {
					b.waveReady()
				}
				if over := eval[float64](b, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
					t.Errorf("%s at %d px is %v px too wide", name, width, over)
				}
				b.shot(fmt.Sprintf("%s-%s-%d", name, scheme, width))
			}
		}
	}
	b.clean(host)
}

func TestLivePage(t *testing.T) {
	p := newPlant(t, "Northquay")
	p.night(t)
	address, host := serve(t, p)
	b := newBrowser(t)
	b.open(address+"/", 1280, "light")
	b.until("the page listens", `document.getElementById("lost").hidden`)
	p.live.change(func(d []web.DriveNow) { d[0].State, d[0].Tripped, d[0].Fault = "ready", true, following })
	b.until("the drive's fault arrives", `document.querySelector("aside").textContent.includes("Shows Following error (8611).")`)
	c, data := trip("fan", "Aeration fan", morning.Add(-time.Minute), overcurrent, "jam")
	p.keep(t, c, data, 0)
	p.live.change(func([]web.DriveNow) {})
	b.until("the capture arrives", `document.querySelector("main").textContent.includes("06:39:00")`)
	b.clean(host)
}

// A print of a capture is one page.
func TestPrint(t *testing.T) {
	p := newPlant(t, "Northquay")
	c := p.night(t)[0]
	address, _ := serve(t, p)
	b := newBrowser(t)
	b.open(address+"/capture/"+string(c.ID), 1280, "light")
	b.waveReady()
	b.do(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
		return err
	})
	b.must(chromedp.Do(b.ctx, chromedp.EmulateViewport(703, 1032))) // A4 less its margins, at 96 pixels an inch
	b.shot("capture-print")
	if shown := eval[[]bool](b, `["#wave", "#chart", "#chart svg.lanes"].map(what => document.querySelector(what).getClientRects().length > 0)`); fmt.Sprint(shown) != "[false true true]" {
		t.Errorf("what is printed of the script's lanes, the server's picture and its lanes: %v", shown)
	}
	yes := true
	pdf, err := chromedp.Run(b.ctx, func(ctx context.Context, tab *chromedp.Target) ([]byte, error) {
		r, err := cdp.Call(ctx, tab, page.PrintToPDF, page.PrintToPDFParams{PreferCSSPageSize: &yes, PrintBackground: &yes})
		if err != nil {
			return nil, err
		}
		return r.Data, nil
	})
	b.must(err)
	if n := strings.Count(string(pdf), "/Type /Page\n"); n != 1 {
		t.Errorf("%d pages", n)
	}
	if dir := os.Getenv("FAULTKEEP_SHOTS"); dir != "" {
		b.must(os.WriteFile(filepath.Join(dir, "capture.pdf"), pdf, 0o644))
	}
}
