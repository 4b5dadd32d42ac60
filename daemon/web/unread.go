package web

import (
	"net/http"
	"net/url"
	"strings"
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// mostUnread is how many files the page shows.
const mostUnread = 200

// unreadPage lists the files that couldn't be read, and why.
type unreadPage struct {
	frame
	Count string
	Files []unreadFile
	More  bool
}

type unreadFile struct {
	ID, When, Machine, Drive, Fleet, Address, Why string
	Parts                                         []part
}

func (s *server) unread(w http.ResponseWriter, r *http.Request) error {
	list, err := s.Store.Captures(r.Context(), wire.Query{Unread: true, Limit: mostUnread + 1})
	if err != nil {
		return err
	}
	page := unreadPage{frame: s.frame("Unread files"), More: len(list) > mostUnread}
	page.Live = true
	page.Count = plural(len(list), "file or set of files could not be read.", "files or sets of files could not be read.")
	if page.More {
		list = list[:mostUnread]
		page.Count = plural(mostUnread, "", "files or sets of files could not be read; older ones are left out here.")
	}
	clock := s.clock()
	for _, c := range list {
		f := unreadFile{ID: string(c.ID), When: clock.exact(c.Kept), Machine: c.Kept.UTC().Format(time.RFC3339), Drive: c.Name(),
			Fleet: "/drive/" + url.PathEscape(c.Drive), Address: c.Provenance.Address, Why: sentence(c.Integrity.Why)}
		for _, p := range c.Integrity.Parts {
			f.Parts = append(f.Parts, part{fileOf(p.Name), "/capture/" + url.PathEscape(string(c.ID)) + "/original/" + url.PathEscape(p.Name), bytesText(p.Size), p.SHA256})
		}
		page.Files = append(page.Files, f)
	}
	s.show(w, r, http.StatusOK, "unread.html", page)
	return nil
}

// fileOf is the name of the file that a part of the originals was.
func fileOf(part string) string { return strings.TrimPrefix(part, capture.FilePart) }

// unreadNow says how many files couldn't be read; empty: none.
func (s *server) unreadNow(r *http.Request) (string, error) {
	list, err := s.Store.Captures(r.Context(), wire.Query{Unread: true, Limit: mostUnread})
	if err != nil || len(list) == 0 {
		return "", err
	}
	return plural(len(list), "file could not be read; its bytes are kept.", "files could not be read; their bytes are kept."), nil
}
