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
	if err := readForm(r); err != nil {
		return err
	}
	v := r.PostForm
	m := wire.Marking{Note: v.Get("note"), Tags: words(v.Get("tags")), Untag: v["untag"]}
	if who := whose(r.Context()); m.Note != "" && who != everybody {
		m.By = who
	}
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

// notes are what people said of a capture.
type notes struct {
	ID               string
	Reviewed, Pinned bool
	Said             string // since when
	Tags             []string
	Notes            []note
}

type note struct {
	Text, By, When, Machine string
}

func (s *server) notes(ctx context.Context, id capture.ID) (notes, error) {
	all, err := s.Store.Marks(ctx, []capture.ID{id})
	m := all[id]
	out := notes{ID: string(id), Reviewed: !m.Reviewed.IsZero(), Pinned: !m.Pinned.IsZero(), Tags: m.Tags}
	clock := s.clock()
	var said []string
	if out.Reviewed {
		said = append(said, "Reviewed "+clock.short(m.Reviewed)+".")
	}
	if out.Pinned {
		said = append(said, "Pinned "+clock.short(m.Pinned)+": it stays, however old it gets.")
	}
	out.Said = strings.Join(said, " ")
	for _, n := range m.Notes {
		out.Notes = append(out.Notes, note{n.Text, n.By, clock.short(n.At), n.At.UTC().Format(time.RFC3339Nano)})
	}
	return out, err
}

// markRows gives the rows of captures what was said of them, in few words.
func markRows(rows []row, all map[capture.ID]wire.Marks) {
	for i := range rows {
		m := all[rows[i].id]
		var said []string
		if !m.Reviewed.IsZero() {
			rows[i].Reviewed = true
			said = append(said, "reviewed")
		}
		if !m.Pinned.IsZero() {
			said = append(said, "pinned")
		}
		if n := len(m.Notes); n > 0 {
			said = append(said, plural(n, "note", "notes"))
		}
		rows[i].Marks = strings.Join(append(said, m.Tags...), ", ")
	}
}
