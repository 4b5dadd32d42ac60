package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"

	"faultkeep/daemon/login"
	"faultkeep/daemon/report"
)

//go:embed pages static
var files embed.FS

// description is the API in OpenAPI 3.1.
//
//go:embed api/openapi.yaml
var description []byte

// look is the templates and static files, read once.
type look struct {
	pages map[string]*template.Template
	file  map[string][]byte // by name
	sums  map[string]string // by name: what of the content is in its address
}

func newLook() *look {
	l := &look{pages: map[string]*template.Template{}, file: map[string][]byte{}, sums: map[string]string{}}
	names := must(fs.Glob(files, "static/*"))
	for _, name := range names {
		b := must(files.ReadFile(name))
		base := path.Base(name)
		if base == "page.css" {
			b = append(b, report.CSS...)
		}
		sum := sha256.Sum256(b)
		l.file[base], l.sums[base] = b, hex.EncodeToString(sum[:6])
	}
	funcs := template.FuncMap{"asset": func(name string) (string, error) {
		sum, ok := l.sums[name]
		if !ok {
			return "", fmt.Errorf("no static file %q", name)
		}
		return "/static/" + sum + "/" + name, nil
	}}
	shared := template.Must(template.New("").Funcs(funcs).ParseFS(files, "pages/frame.html", "pages/parts.html", "pages/wave.html"))
	for _, name := range must(fs.Glob(files, "pages/*.html")) {
		base := path.Base(name)
		if base == "frame.html" || base == "parts.html" || base == "wave.html" {
			continue
		}
		l.pages[base] = template.Must(template.Must(shared.Clone()).ParseFS(files, name))
	}
	return l
}

// must is for what is embedded: it can't fail in a binary that was tested.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// static serves a file under an address that changes with its content.
func (l *look) static(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("file")
	b, ok := l.file[name]
	if !ok || r.PathValue("sum") != l.sums[name] {
		http.Error(w, "There is no such file.", http.StatusNotFound)
		return
	}
	types := map[string]string{".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
	w.Header().Set("Content-Type", types[path.Ext(name)]+"; charset=utf-8")
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	_, _ = w.Write(b)
}

// frame is what every page has around it.
type frame struct {
	Title   string
	Site    string
	Version string
	Zone    string
	Live    bool // swaps its fragments when something changed
	By      *reader
}

// reader is who looks at a page, which show finds out from the request.
type reader struct{ Name, Role string }

func (f frame) reader() *reader { return f.By }

func (s *server) frame(title string) frame {
	return frame{Title: title, Site: s.Site, Version: s.Version, Zone: s.zoneName(), By: &reader{}}
}

// zoneName is the site's zone as people know it.
func (s *server) zoneName() string {
	if name := s.Zone.String(); name != "Local" {
		return name
	}
	name, _ := s.Now().In(s.Zone).Zone()
	return name
}

// show renders a page, or the fragment of it that was asked for, wholly before
// anything is sent. An unchanged one costs only its sum.
func (s *server) show(w http.ResponseWriter, r *http.Request, status int, name string, data any) {
	block := "frame"
	if f := r.URL.Query().Get("fragment"); f != "" && status == http.StatusOK {
		block = "fragment-" + f
	}
	t := s.look.pages[name]
	if t.Lookup(block) == nil {
		http.Error(w, "There is no such fragment.", http.StatusNotFound)
		return
	}
	if u, ok := r.Context().Value(userKey{}).(login.User); ok {
		if page, ok := data.(interface{ reader() *reader }); ok {
			*page.reader() = reader{u.Name, string(u.Role)}
		}
	}
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, block, data); err != nil {
		s.Log.Error("a page can't be rendered", "page", name, "err", err)
		http.Error(w, "This page can't be shown; the log says why. Watching goes on.", http.StatusInternalServerError)
		return
	}
	sum := sha256.Sum256(b.Bytes())
	tag := `"` + hex.EncodeToString(sum[:12]) + `"`
	w.Header().Set("ETag", tag)
	w.Header().Set("Cache-Control", "private, no-cache")
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if status == http.StatusOK && strings.Contains(r.Header.Get("If-None-Match"), tag) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes())
}
