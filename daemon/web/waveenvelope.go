package web

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"faultkeep/daemon/envelope"
	"faultkeep/daemon/web/wire"
)

const usualColumns = 1000

// envelope is a stretch of the record as least and greatest of columns:
// from and to in seconds from the trigger (both left out: the whole record),
// width in columns, channels by index from 0 (left out: all). The layout of
// the answer is that of envelope.Append.
func (s *server) envelope(w http.ResponseWriter, r *http.Request) error {
	v := r.URL.Query()
	from, to, whole, err := stretchOrWhole(v)
	if err != nil {
		return err
	}
	columns, err := wholeNumber(v, "width", usualColumns)
	if err != nil {
		return err
	}
	channels, err := channelList(v)
	if err != nil {
		return err
	}
	c, err := s.exactly(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	// Captures never change, so what is asked for says what the answer is.
	sum := sha256.Sum256(fmt.Appendf(nil, "envelope 1 %s %s %v %v %v %d %v", c.ID, c.Integrity.SHA256, whole, from, to, columns, channels))
	tag := `"` + hex.EncodeToString(sum[:12]) + `"`
	if strings.Contains(r.Header.Get("If-None-Match"), tag) {
		waveHeaders(w, tag)
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	wave, err := s.waveform(r.Context(), string(c.ID))
	if err != nil {
		return err
	}
	if whole {
		if from, to = wave.pyramid.Clock.Span(); wave.pyramid.Clock.Samples() == 0 {
			return &refusal{http.StatusNotFound, "This capture has no samples.", ""}
		}
	}
	e, err := wave.pyramid.Envelope(wave.series, envelope.Query{From: from, To: to, Columns: columns, Channels: channels})
	if err != nil {
		return asked("%s", err.Error())
	}
	waveHeaders(w, tag)
	w.Header().Set("Content-Type", envelope.ContentType)
	w.Header().Set("Content-Length", strconv.Itoa(e.Size()))
	_, err = w.Write(e.Append(make([]byte, 0, e.Size())))
	return ignore(err)
}

func waveHeaders(w http.ResponseWriter, tag string) {
	w.Header().Set("ETag", tag)
	w.Header().Set("Cache-Control", "private, no-cache") // to be asked for again, which costs next to nothing
}

// plainly answers a script: an error is a line of text and no page.
func (s *server) plainly(h func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if err := h(w, r); err != nil {
			no := s.refuse(r, err)
			http.Error(w, strings.TrimSpace(sentence(upper(no.what))+" "+no.hint), no.status)
		}
		return nil
	}
}

// stretchOrWhole is the stretch that an address names; whole: it names none.
func stretchOrWhole(v url.Values) (from, to float64, whole bool, err error) {
	if from, to, err = stretch(v); err != nil {
		return 0, 0, false, err
	}
	if v.Get("from") == "" && v.Get("to") == "" {
		return 0, 0, true, nil
	}
	if from >= to {
		return 0, 0, false, asked("the stretch from %g to %g s is empty; from must be below to", from, to)
	}
	return from, to, false, nil
}

// wholeNumber is a whole number that an address names, or else usual.
func wholeNumber(v url.Values, key string, usual int) (int, error) {
	text := v.Get(key)
	if text == "" {
		return usual, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		return 0, asked("%q isn't a whole number, in %s", cutText(text), key)
	}
	return n, nil
}

// channelList are the channels that an address names; nil: all.
func channelList(v url.Values) ([]int, error) {
	text := v.Get("channels")
	if text == "" {
		return nil, nil
	}
	var out []int
	for _, one := range strings.Split(text, ",") {
		n, err := strconv.Atoi(one)
		if err != nil {
			return nil, asked("%q isn't a list of channels such as 0,3, in channels", cutText(text))
		}
		if out = append(out, n); len(out) > mostAsked {
			return nil, asked("more than %d channels can't be had at once", mostAsked)
		}
	}
	return out, nil
}

// asked is the error for a question that makes no sense.
func asked(format string, args ...any) error {
	return wire.Say(wire.ErrRequest, fmt.Sprintf(format, args...))
}

const mostAsked = 4096 // channels

// cutText shortens what came from outside before it is said back.
func cutText(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:39]) + "…"
	}
	return s
}

// upper begins a sentence.
func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
