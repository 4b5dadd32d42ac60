package web

import (
	"net/http"
	"net/url"
	"time"
)

// drivePage shows one drive: how it is, and all that happened to it.
type drivePage struct {
	frame
	Name    string
	Address string
	Known   bool // it is in the config
	Now     driveRow
	Days    []day
	Summary string
	Watch   *watching
	Race    []string
	Lost    bool // the race
	Older   string
	Newer   string
}

func (s *server) drive(w http.ResponseWriter, r *http.Request) error {
	name := r.PathValue("name")
	page := drivePage{frame: s.frame(name), Name: name}
	for _, d := range s.Live.Drives() {
		if d.Name == name {
			rows, _ := s.drivesNow([]DriveNow{d})
			page.Race, page.Lost = raceWords(d.Figures)
			page.Known, page.Now, page.Address, page.Title = true, rows[0], d.Address, d.Label()
		}
	}
	p := period{name: "all", drive: name, now: s.Now(), until: s.Now(), firstOfPage: true}
	if before := r.URL.Query().Get("before"); before != "" {
		t, err := time.Parse(time.RFC3339Nano, before)
		if err != nil {
			return &refusal{http.StatusBadRequest, `"before" is a time such as 2026-11-25T03:12:07Z.`, ""}
		}
		p.until, p.firstOfPage = t, false
	}
	got, err := s.stream(r.Context(), time.Time{}, p.until, name, perPage)
	if err != nil {
		return err
	}
	sum, err := s.sum(r.Context(), p)
	if err != nil {
		return err
	}
	if !page.Known && len(got.days) == 0 && p.firstOfPage {
		return &refusal{http.StatusNotFound, "There is no drive of this name.", "The overnight page lists the drives that are watched."}
	}
	chosen, err := spanned(r.URL.Query())
	if err != nil {
		return err
	}
	if p.firstOfPage {
		if page.Watch, err = s.watching(r.Context(), chosen, name, page.Title); err != nil {
			return err
		}
	}
	page.Days, page.Summary, page.Live = got.days, sum.words(), p.firstOfPage
	here := "/drive/" + url.PathEscape(name)
	if !got.next.IsZero() {
		page.Older = here + "?" + url.Values{"before": {got.next.Format(time.RFC3339Nano)}}.Encode()
	}
	if !p.firstOfPage {
		page.Newer = here
	}
	s.show(w, r, http.StatusOK, "drive.html", page)
	return nil
}
