package web

import (
	"bytes"
	"context"
	"mime"
	"net/http"
	"strconv"
	"time"

	"faultkeep/daemon/export"
	"faultkeep/daemon/report"
	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// lanes is the picture of a stretch of the record, for the page's script to
// put in, or with save set a picture that stands by itself.
func (s *server) lanes(w http.ResponseWriter, r *http.Request) error {
	if r.URL.Query().Has("save") {
		done, err := s.download(w)
		if err != nil {
			return err
		}
		defer done()
	}
	c, series, err := s.load(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	v := r.URL.Query()
	o := report.Options{Standalone: v.Has("save")}
	if o.From, o.To, err = stretch(v); err != nil {
		return err
	}
	if text := v.Get("w"); text != "" {
		if o.Width, err = strconv.Atoi(text); err != nil || o.Width < 1 {
			return &refusal{http.StatusBadRequest, `"w" is a width in pixels.`, ""}
		}
	}
	h := w.Header()
	h.Set("Content-Type", "image/svg+xml; charset=utf-8")
	h.Set("Cache-Control", "private, no-cache")
	if o.Standalone {
		h.Set("Content-Security-Policy", picturePolicy)
		h.Set("Content-Disposition", attachment(c, ".svg"))
	}
	_, err = w.Write(report.Lanes(c, series, o))
	return ignore(err)
}

// samples is the record as comma-separated values, see export.CSV.
func (s *server) samples(w http.ResponseWriter, r *http.Request) error {
	done, err := s.download(w)
	if err != nil {
		return err
	}
	defer done()
	c, series, err := s.load(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	record := export.Record{Capture: c, Series: series}
	if err := record.Check(); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
	w.Header().Set("Content-Disposition", attachment(c, ".csv"))
	return ignore(export.CSV(w, record))
}

// original is one part of the bytes as read, or a range of them: a download
// that broke off can go on.
func (s *server) original(w http.ResponseWriter, r *http.Request) error {
	done, err := s.download(w)
	if err != nil {
		return err
	}
	defer done()
	c, err := s.exactly(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	name := r.PathValue("part")
	for _, p := range c.Integrity.Parts {
		if p.Name != name {
			continue
		}
		b, have, err := s.Store.Original(r.Context(), c.ID, name)
		if err != nil {
			return err
		}
		w.Header().Set("Content-Type", "application/octet-stream")
		w.Header().Set("Content-Disposition", attachment(c, "-"+capture.Slug(name)+".bin"))
		if file := fileOf(name); file != name { // under the name that it came with: programs tell formats by it
			w.Header().Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": file}))
		}
		w.Header().Set(wire.HaveHeader, wire.FormatRanges(have))
		w.Header().Set("ETag", `"`+p.SHA256+`"`)
		w.Header().Set("Cache-Control", "private, no-cache")
		http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b)) // which bounds how much several ranges may come to
		return nil
	}
	return &refusal{http.StatusNotFound, "This capture has no such part.", "Its page lists the parts that it has."}
}

// exactly is the capture under a whole ID; a page's address is never a prefix.
func (s *server) exactly(ctx context.Context, id string) (capture.Capture, error) {
	c, err := s.Store.Find(ctx, id)
	if err == nil && string(c.ID) != id {
		err = wire.NotFound(id)
	}
	return c, err
}

// attachment names a download after its capture.
func attachment(c capture.Capture, suffix string) string {
	return mime.FormatMediaType("attachment", map[string]string{"filename": export.FileName(c.ID, suffix)})
}

// ignore drops the error of a write to a browser: it went away, and nothing
// more can be said to it.
func ignore(error) error { return nil }
