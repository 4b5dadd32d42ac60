package web_test

import (
	"crypto/sha256"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"faultkeep/daemon/web"
)

// stuck is a browser that takes nothing until it is let go.
type stuck struct {
	*httptest.ResponseRecorder
	once    sync.Once
	reached chan struct{}
	letGo   chan struct{}
}

func (s *stuck) Write(b []byte) (int, error) {
	s.once.Do(func() { close(s.reached) })
	<-s.letGo
	return len(b), nil
}

// Each download holds a capture in memory, so there are only so many at once.
func TestDownloadsAreBounded(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	o := p.options()
	o.Downloads = 2
	h := web.New(o)
	self := "/capture/" + string(caps[0].ID)
	paths := []string{self + "/samples.csv", self + "/original/data", self + "/lanes.svg?save=1"}
	var all sync.WaitGroup
	letGo := make(chan struct{})
	for _, path := range paths[:2] {
		w := &stuck{httptest.NewRecorder(), sync.Once{}, make(chan struct{}), letGo}
		all.Go(func() { h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8417"+path, http.NoBody)) })
		<-w.reached
	}
	for _, path := range paths {
		w := ask(t, h, "GET", path, "")
		if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") != "5" || !strings.Contains(w.Body.String(), "Too many downloads run at this moment.") {
			t.Errorf("%s answers %d %v", path, w.Code, w.Header())
		}
	}
	for _, path := range []string{self, self + "/lanes.svg", "/"} { // looking goes on
		if w := ask(t, h, "GET", path, ""); w.Code != http.StatusOK {
			t.Errorf("%s answers %d", path, w.Code)
		}
	}
	close(letGo)
	all.Wait()
	for range 3 { // the places are given back
		for _, path := range append(paths, self+"/original/none") {
			if w := ask(t, h, "GET", path, ""); w.Code == http.StatusServiceUnavailable {
				t.Errorf("%s answers %d", path, w.Code)
			}
		}
	}
}

// RFC 9110, section 14: a download that broke off goes on where it was, and
// ranges that come to more than the whole aren't served.
func TestRangesOfOriginals(t *testing.T) {
	p := newPlant(t, "Northquay")
	caps := p.night(t)
	h := web.New(p.options())
	path := "/capture/" + string(caps[0].ID) + "/original/data"
	whole := ask(t, h, "GET", path, "")
	body, tag := whole.Body.String(), whole.Header().Get("ETag")
	if whole.Code != http.StatusOK || tag != fmt.Sprintf(`"%x"`, sha256.Sum256([]byte(body))) || whole.Header().Get("Content-Type") != "application/octet-stream" {
		t.Fatalf("%d %v", whole.Code, whole.Header())
	}
	most := len(body)
	for part, want := range map[string]string{
		"bytes=0-9": body[:10], fmt.Sprintf("bytes=%d-", most-7): body[most-7:], "bytes=-5": body[most-5:], "bytes=100-99999999999": body[100:],
	} {
		w := ask(t, h, "GET", path, "", "Range", part, "If-Range", tag)
		if w.Code != http.StatusPartialContent || w.Body.String() != want {
			t.Errorf("%s: %d, %d bytes, want %d", part, w.Code, w.Body.Len(), len(want))
		}
	}
	if w := ask(t, h, "GET", path, "", "Range", "bytes=0-9", "If-Range", `"other"`); w.Code != http.StatusOK || w.Body.String() != body {
		t.Errorf("a range of another file: %d", w.Code)
	}
	for ranges, code := range map[string]int{fmt.Sprintf("bytes=%d-", most): http.StatusRequestedRangeNotSatisfiable, "bytes=9-0": http.StatusRequestedRangeNotSatisfiable,
		"bytes=x": http.StatusRequestedRangeNotSatisfiable, "bytes=" + strings.Repeat("0-,", 5000): http.StatusOK} {
		w := ask(t, h, "GET", path, "", "Range", ranges)
		if w.Code != code || w.Body.Len() > most {
			t.Errorf("%.20s: %d, %d bytes", ranges, w.Code, w.Body.Len())
		}
	}
	if w := ask(t, h, "GET", path, "", "If-None-Match", tag); w.Code != http.StatusNotModified {
		t.Errorf("what the browser has is sent again: %d", w.Code)
	}
	if w := ask(t, h, "HEAD", path, ""); w.Code != http.StatusOK || w.Header().Get("Content-Length") != fmt.Sprint(most) {
		t.Errorf("HEAD: %d %v", w.Code, w.Header())
	}
}

// No address takes more of a body than it has a use for.
func TestBodiesAreBounded(t *testing.T) {
	p := newPlant(t, "Northquay")
	h := web.New(p.options())
	for _, path := range []string{"/seen", "/login", "/nowhere", "/api/v1/repairs", "/api/v1/mark", "/api/v1/take"} {
		endless := &flood{}
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8417"+path, endless)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if path != "/api/v1/take" { // which reads much, but for nobody without the token
			r.Header.Set("Authorization", token)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code < 400 && path != "/api/v1/mark" || endless.read > 256<<10 {
			t.Errorf("%s answers %d after %d bytes", path, w.Code, endless.read)
		}
	}
}

// flood is a body without an end.
type flood struct{ read int }

func (c *flood) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = 'x'
	}
	c.read += len(b)
	if c.read > 16<<20 {
		return 0, io.EOF
	}
	return len(b), nil
}
