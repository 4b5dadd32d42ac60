package web

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// apiMark marks captures.
func (s *server) apiMark(w http.ResponseWriter, r *http.Request) error {
	var m wire.Marking
	in := json.NewDecoder(r.Body)
	in.DisallowUnknownFields()
	if err := in.Decode(&m); err != nil {
		return wire.Say(wire.ErrRequest, "marks are JSON with ids and any of reviewed, pinned, note, by, tags, untag, drop_note")
	}
	return answer(w, m, s.Store.Mark(r.Context(), m))
}

// apiMarks tells the marks of captures: id as often as there are captures.
func (s *server) apiMarks(w http.ResponseWriter, r *http.Request) error {
	var ids []capture.ID
	for _, id := range r.URL.Query()["id"] {
		ids = append(ids, capture.ID(id))
	}
	all, err := s.Store.Marks(r.Context(), ids)
	return answer(w, all, err)
}

// mark marks captures from a page's form: id as often as there are captures,
// and what to say of them; then goes back to the page.
func (s *server) mark(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return wire.Say(wire.ErrRequest, "This form can't be read.")
	}
	v := r.PostForm
	m := wire.Marking{Note: v.Get("note"), Tags: words(v.Get("tags")), Untag: v["untag"]}
	for _, id := range v["id"] {
		m.IDs = append(m.IDs, capture.ID(id))
	}
	var err error
	if m.Reviewed, err = yesNo(v, "reviewed"); err != nil {
		return err
	}
	if m.Pinned, err = yesNo(v, "pinned"); err != nil {
		return err
	}
	if text := v.Get("drop_note"); text != "" {
		at, err := time.Parse(time.RFC3339Nano, text)
		if err != nil {
			return wire.Say(wire.ErrRequest, `"drop_note" is the time at which the note was written.`)
		}
		m.DropNote = &at
	}
	if len(m.IDs) == 0 {
		return wire.Say(wire.ErrRequest, "No capture is chosen; choose one, then mark it.")
	}
	if err := s.Store.Mark(r.Context(), m); err != nil {
		return err
	}
	back := "/"
	if v.Get("back") == "capture" {
		back = "/capture/" + url.PathEscape(string(m.IDs[0])) + "#notes"
	}
	http.Redirect(w, r, back, http.StatusSeeOther)
	return nil
}

// words are the words between commas.
func words(text string) (out []string) {
	for w := range strings.SplitSeq(text, ",") {
		if w = strings.TrimSpace(w); w != "" {
			out = append(out, w)
		}
	}
	return out
}

func yesNo(q url.Values, name string) (*bool, error) {
	if !q.Has(name) {
		return nil, nil
	}
	b, err := strconv.ParseBool(q.Get(name))
	if err != nil {
		return nil, wire.Say(wire.ErrRequest, strconv.Quote(name)+" is true or false.")
	}
	return &b, nil
}

// reviewed marks what the overnight page showed between two visits.
func (s *server) reviewed(ctx context.Context, since, until time.Time) error {
	captures, err := s.Store.Captures(ctx, wire.Query{Since: since, Until: until})
	if err != nil {
		return err
	}
	yes := true
	m := wire.Marking{Reviewed: &yes}
	for _, c := range captures {
		m.IDs = append(m.IDs, c.ID)
	}
	return s.Store.Mark(ctx, m)
}
