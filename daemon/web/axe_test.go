package web_test

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/brief"
	"faultkeep/daemon/carry"
	"faultkeep/daemon/export"
	"faultkeep/store/capture"
)

// axe is the source of axe-core, an accessibility checker that isn't ours: from
// NODE_PATH, or from where npm installs for everybody.
func axe(t *testing.T) string {
	t.Helper()
	roots := filepath.SplitList(os.Getenv("NODE_PATH"))
	if out, err := exec.Command("npm", "root", "--global").Output(); err == nil {
		roots = append(roots, strings.TrimSpace(string(out)))
	}
	for _, root := range roots {
		if b, err := os.ReadFile(filepath.Join(root, "axe-core", "axe.min.js")); err == nil {
			return string(b)
		}
	}
	if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
		t.Fatal("no axe-core, and FAULTKEEP_REQUIRE_PEERS asks for it; npm install --global axe-core")
	}
	t.Skip("no axe-core here")
	return ""
}

// Every page passes what axe-core can check of WCAG 2.2 AA, light and dark, wide and narrow.
func TestAccessibility(t *testing.T) {
	source := axe(t)
	p := season(t)
	caps := p.night(t)
	address, host := serve(t, p)
	b := newBrowser(t)
	pages := map[string]string{"overnight": "/?since=7d", "capture": "/capture/" + string(caps[0].ID), "partial": "/capture/" + string(caps[1].ID), "drive": "/drive/slew",
		"recurrence": "/recurrence", "alerts": "/alerts", "unread": "/unread", "refusal": "/nowhere", "compare": "/compare?" + url.Values{"id": {string(caps[0].ID), string(caps[2].ID)}}.Encode()}
	looks := []struct {
		scheme string
		width  int64
	}{{"light", 1280}, {"light", 360}, {"dark", 1280}}
	if testing.Short() {
		looks = looks[:1]
	}
	for _, look := range looks {
		for name, path := range pages {
			b.open(address+path, look.width, look.scheme)
			if strings.HasPrefix(path, "/capture") {
				b.waveReady()
				_ = eval[bool](b, `(document.querySelectorAll("#wave details").forEach(d => { d.open = true; }), true)`)
				b.until("the spectrum is there", `document.querySelector("#wave-spectrum p").textContent !== ""`)
			}
			for _, v := range violations(b, source) {
				t.Error(fmt.Sprintf("%s, %s, %d px: ", name, look.scheme, look.width), v)
			}
		}
	}
	b.bad = nil // the page that isn't there is told on the console
	b.clean(host)
}

// violations are what axe-core finds wrong with the page that is open.
func violations(b *browser, source string) []string {
	b.t.Helper()
	_ = eval[bool](b, source+";true")
	const ask = `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then(r =>
			r.passes.length < 5 ? ["nothing was checked"] : r.violations.map(v => v.id + ": " + v.help + ": " + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160)).join(" | ")))`
	found, err := chromedp.Run(b.ctx, chromedp.Evaluate[[]string](ask, func(p *runtime.EvaluateParams) { p.AwaitPromise = ptr(true) }))
	b.must(err)
	return found
}

// The pages that leave the house pass it too, opened as files: the brief, and
// the index on a stick. They ask for nothing but what lies beside them, and all
// of that is there.
func TestAccessibilityOfFiles(t *testing.T) {
	source := axe(t)
	p := season(t)
	caps := p.night(t)
	dir := t.TempDir()
	told, err := brief.Gather(t.Context(), archive.Pages(p.store), brief.Options{From: evening, To: morning, Zone: oslo, Site: "Northquay"})
	if err != nil {
		t.Fatal(err)
	}
	html, err := told.HTML()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "brief.html"), []byte(html), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := carry.Run(t.Context(), carry.Options{To: filepath.Join(dir, "stick"), Site: "Northquay", Zone: oslo, Captures: caps[:2],
		Record: func(ctx context.Context, id capture.ID) (r export.Record, err error) {
			r.Capture, r.Series, err = p.store.Samples(ctx, id)
			return r, err
		}}); err != nil {
		t.Fatal(err)
	}
	b := newBrowser(t)
	for _, page := range []string{"brief.html", "stick/index.html"} {
		for _, scheme := range []string{"light", "dark"} {
			b.open("file://"+filepath.Join(dir, page), 360, scheme)
			if broken := eval[int](b, `[...document.images].filter(i => i.complete && !i.naturalWidth).length`); broken > 0 {
				t.Errorf("%s: %d pictures don't show", page, broken)
			}
			if wide := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); wide > 0 {
				t.Errorf("%s is %d px wider than a phone", page, wide)
			}
			for _, v := range violations(b, source) {
				t.Errorf("%s, %s: %s", page, scheme, v)
			}
			b.shot(scheme + "-" + filepath.Base(page))
		}
	}
	b.clean("")
}

func ptr[T any](v T) *T { return &v }
