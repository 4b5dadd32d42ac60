package web_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/web"
	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// unreadOne is a file that couldn't be read, and its bytes.
func unreadOne(name, why string) (capture.Capture, []capture.Chunk) {
	hash := strings.Repeat("ab", 32)
	c := capture.Capture{Origin: capture.Unread, Drive: "slew", Trigger: capture.Trigger{Time: morning}}
	c.Provenance = capture.Provenance{Source: "folder", Address: "/srv/exports/" + name, Identity: capture.ContentIdentity(hash, 1, 1),
		Files: []capture.File{{Name: name, Part: capture.FilePart + name, Size: 5}}}
	c.ID = capture.NewID(morning, "slew", hash).Unread()
	c.Integrity.Why = why
	return c, []capture.Chunk{{Part: capture.FilePart + name, Bytes: []byte("bytes")}}
}

func TestUnreadPage(t *testing.T) {
	p := newPlant(t, "Northquay")
	p.night(t)
	h := web.New(p.options())
	has(t, ask(t, h, "GET", "/unread", "").Body.String(), "Every file that came could be read.")
	if body := ask(t, h, "GET", "/", "").Body.String(); strings.Contains(body, "/unread") {
		t.Error("the overnight page tells of unread files where there are none")
	}
	c, chunks := unreadOne("Trip <1>.csv", "<b>line 3</b> has 7 fields")
	c, err := archive.Pages(p.store).Take(context.Background(), c, chunks)
	if err != nil {
		t.Fatal(err)
	}
	body := ask(t, h, "GET", "/unread", "").Body.String()
	has(t, body, "1 file or set of files could not be read.", "&lt;b&gt;line 3&lt;/b&gt; has 7 fields.", "/srv/exports/Trip &lt;1&gt;.csv", "faultkeep reread", `id="`+string(c.ID)+`"`)
	has(t, ask(t, h, "GET", "/", "").Body.String(), "1 file could not be read; its bytes are kept.", `href="/unread"`)
	if strings.Contains(ask(t, h, "GET", "/?since=all", "").Body.String(), string(c.ID)) {
		t.Error("a file that couldn't be read stands among the captures")
	}
	w := ask(t, h, "GET", "/capture/"+string(c.ID), "")
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/unread#"+string(c.ID) {
		t.Errorf("its own address answers %d, %s", w.Code, w.Header().Get("Location"))
	}
	if w := ask(t, h, "GET", "/capture/nothing-unread", ""); w.Code != http.StatusNotFound {
		t.Errorf("an address of nothing answers %d", w.Code)
	}
	at := strings.Index(body, "/capture/"+string(c.ID)+"/original/")
	if at < 0 {
		t.Fatal("no way to its bytes")
	}
	link, _, _ := strings.Cut(body[at:], `"`)
	w = ask(t, h, "GET", link, "")
	if w.Code != http.StatusOK || w.Body.String() != "bytes" || w.Header().Get("Content-Disposition") != `attachment; filename="Trip <1>.csv"` {
		t.Errorf("%s answers %d %q %v", link, w.Code, w.Body, w.Header())
	}
	list := api[[]capture.Capture](t, h, "captures?unread=true", http.StatusOK)
	if len(list) != 1 || list[0].ID != c.ID {
		t.Errorf("%d unread over the API", len(list))
	}
	api[wire.Failure](t, h, "captures?unread=perhaps", http.StatusBadRequest)
}

func send(h http.Handler, login string, body io.Reader) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8417/api/v1/take", body)
	r.Header.Set("Authorization", login)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestTakeOverTheAPI(t *testing.T) {
	p := newPlant(t, "Northquay")
	h := web.New(p.options())
	c, chunks := unreadOne("a.csv", "why")
	head, _, err := wire.TakeBody(c, chunks)
	if err != nil {
		t.Fatal(err)
	}
	whole := append(bytes.Clone(head), "bytes"...)
	read := &counting{Reader: bytes.NewReader(whole)}
	if w := send(h, "Bearer wrong", read); w.Code != http.StatusUnauthorized || read.n > 0 {
		t.Errorf("without the token: %d, %d bytes read", w.Code, read.n)
	}
	for name, body := range map[string][]byte{"nothing": nil, "cut off": whole[:len(whole)-1], "cut off in the head": whole[:20], "too much": append(bytes.Clone(whole), 'x'), "a huge head": {0xff, 0xff, 0xff, 0xff}} {
		if w := send(h, token, bytes.NewReader(body)); w.Code != http.StatusBadRequest {
			t.Errorf("%s answers %d %s", name, w.Code, w.Body)
		}
	}
	if w := send(h, token, bytes.NewReader(whole)); w.Code != http.StatusOK {
		t.Fatal(w.Code, w.Body)
	}
	if w := send(h, token, bytes.NewReader(whole)); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), `"kept"`) {
		t.Errorf("once more: %d %s", w.Code, w.Body)
	}
	a := api[wire.Arrival](t, h, "arrivals/"+strings.Repeat("ab", 32), http.StatusOK)
	if !a.Unread || a.IDs[1] != c.ID {
		t.Errorf("%+v", a)
	}
	// What only a drive can have, or contradicts itself, isn't taken.
	for name, change := range map[string]func(*capture.Capture){
		"identity": func(c *capture.Capture) { c.Provenance.Identity = "recording 7" },
		"trace":    func(c *capture.Capture) { c.Origin = capture.Trace },
		"recorded": func(c *capture.Capture) { c.Origin = capture.Recorded },
		"whole":    func(c *capture.Capture) { c.Integrity.Whole = true },
		"ID":       func(c *capture.Capture) { c.ID = "20260101-000000-x-abcd" },
	} {
		bad := c
		change(&bad)
		head, _, err := wire.TakeBody(bad, chunks)
		if err != nil {
			t.Fatal(err)
		}
		if w := send(h, token, bytes.NewReader(append(head, "bytes"...))); w.Code != http.StatusBadRequest {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
	}
	report, err := archive.Pages(p.store).Verify(context.Background(), nil)
	if err != nil || len(report.Problems) > 0 || report.Captures != 1 {
		t.Errorf("%+v, %v", report, err)
	}
}

type counting struct {
	io.Reader
	n int
}

func (c *counting) Read(b []byte) (int, error) {
	n, err := c.Reader.Read(b)
	c.n += n
	return n, err
}

func FuzzReadTake(f *testing.F) {
	c, chunks := unreadOne("a.csv", "why")
	head, _, err := wire.TakeBody(c, chunks)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(append(head, "bytes"...))
	f.Add([]byte{0, 0, 0, 2, '{', '}'})
	f.Add([]byte("\x00\x00\x00\x36{\"chunks\":[{\"part\":\"a\",\"size\":1073741824}]}           "))
	f.Fuzz(func(t *testing.T, b []byte) {
		c, chunks, err := wire.ReadTake(bytes.NewReader(b))
		if err != nil {
			return
		}
		n := 0
		for _, chunk := range chunks {
			n += len(chunk.Bytes)
		}
		if n > len(b) {
			t.Fatalf("%d bytes out of %d", n, len(b))
		}
		if _, err := json.Marshal(c); err != nil {
			t.Fatal(err)
		}
		_ = wire.CheckTaken(c)
	})
}
