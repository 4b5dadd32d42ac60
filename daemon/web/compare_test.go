package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/web"
)

// alike fills a plant with trips of one drive that look alike, each a little
// later in its record than the one before.
func alike(t testing.TB, n int) (p *plant, ids []string) {
	t.Helper()
	p = newPlant(t, "Northquay")
	for i := range n {
		c, data := trip("elevator", "Bucket elevator", evening.Add(time.Duration(i)*time.Hour), overcurrent, "jam")
		c.Trigger.Index += 40 * i // the drive's trigger came earlier in what happened
		kept := p.keep(t, c, data, 0)
		ids = append(ids, string(kept.ID))
	}
	p.now = morning
	return p, ids
}

func TestComparePage(t *testing.T) {
	p, ids := alike(t, 4)
	h := web.New(p.options())
	get := func(query string, status int) string {
		t.Helper()
		w := ask(t, h, "GET", "/compare?"+query, "")
		if w.Code != status {
			t.Errorf("%s answers %d: %s", query, w.Code, w.Body)
		}
		return w.Body.String()
	}
	q := url.Values{"id": ids[:3]}.Encode()
	body := get(q, http.StatusOK)
	has(t, body, "3 captures over each other: Speed setpoint, Speed, Output current", "leave out", "aligned by best fit")
	if n := strings.Count(body, `class="line other of2"`); n < 7 {
		t.Errorf("%d curves of the third capture", n)
	}
	// The second one's record lies 40 ms earlier against its trigger: it is moved back.
	body = get(q+"&align=fit", http.StatusOK)
	has(t, body, "moved 38.89 ms later, likeness 1", "moved 79.83 ms later")
	has(t, get(q+"&show=band", http.StatusOK), `class="band"`, `class="line median"`)
	has(t, get(q+"&show=difference", http.StatusOK), "Speed, rpm, less the first")
	// One alone is compared with others of its fault; with none there is nothing to see.
	has(t, get("id="+ids[0], http.StatusOK), "4 captures over each other")
	one, alone := alike(t, 1)
	has(t, ask(t, web.New(one.options()), "GET", "/compare?id="+alone[0], "").Body.String(), "no other capture of this drive and fault")
	for query, status := range map[string]int{"": 400, "id=1999": 404, q + "&show=all": 400, q + "&align=left": 400, q + "&from=x": 400,
		strings.Repeat("id=a&", 5) + "id=b&id=c&id=d&id=e&id=f&id=g&id=h&id=i&id=j&id=k&id=l&id=m&id=n": 400} {
		get(query, status)
	}
}

func TestCompareInABrowser(t *testing.T) {
	p, ids := alike(t, 4)
	address, host := serve(t, p)
	b := newBrowser(t)
	for _, scheme := range []string{"light", "dark"} {
		for _, width := range []int64{1280, 360} {
			for _, show := range []string{"lines", "band", "difference"} {
				b.open(address+"/compare?"+url.Values{"id": ids, "show": {show}}.Encode(), width, scheme)
				if over := eval[float64](b, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
					t.Errorf("%s at %d px is %v px too wide", show, width, over)
				}
				b.shot("compare-" + show + "-" + scheme + "-" + map[int64]string{1280: "1280", 360: "360"}[width])
			}
		}
	}
	b.clean(host)
}
