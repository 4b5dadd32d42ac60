// Package wire is the shapes of the local API: what a query asks, what the
// answers hold, and the errors that either side tells apart. Captures, misses
// and spells travel as the model's own JSON.
package wire

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"faultkeep/store/capture"
	"faultkeep/store/coverage"
)

// Query narrows what is asked for. Its zero value asks for everything.
// Answers come newest first.
type Query struct {
	Since  time.Time  // from this time on; zero: from the beginning
	Until  time.Time  // before this time; zero: to now
	Drive  string     // the drive's config name; "": every drive
	Fault  string     // captures and misses: the code as shown ("2311", "F07") or as a number
	Before capture.ID // captures: older than this one, to go on where an answer ended
	Limit  int        // at most so many; 0: all
	Unread bool       // captures: only files that couldn't be read so far; else those are left out

	Zone *time.Location // recurrences: of hours, weekdays and shifts; nil: the site's, or UTC
}

// Entry is one line of the ledger.
type Entry struct {
	Time    time.Time     `json:"time"`
	Drive   string        `json:"drive,omitempty"`
	Kind    string        `json:"kind"`
	Text    string        `json:"text"`
	Capture capture.ID    `json:"capture,omitempty"`
	Fault   capture.Fault `json:"fault"`
}

// Report is what a verify found.
type Report struct {
	Captures int           `json:"captures"` // looked at
	Drafts   int           `json:"drafts"`
	Bytes    int64         `json:"bytes"` // original bytes whose checksums were recomputed
	Took     time.Duration `json:"took_ns"`
	Problems []Damage      `json:"problems"` // never nil
}

// Damage is one thing that a verify found wrong.
type Damage struct {
	Capture capture.ID `json:"capture,omitempty"` // the capture or draft concerned, if one is
	Text    string     `json:"text"`
}

// Progress is how far a verify has come, in captures and drafts.
type Progress struct {
	Done  int `json:"done"`
	Total int `json:"total"`
}

// VerifyLine is one line of a verify's answer, holding one of the three. An
// answer whose last line has no report was cut off.
type VerifyLine struct {
	Progress *Progress `json:"progress,omitempty"`
	Report   *Report   `json:"report,omitempty"`
	Failure  *Failure  `json:"failure,omitempty"` // why verifying ended early
}

// Compacted is what a compaction came to.
type Compacted struct {
	Before int64         `json:"before"` // size of the store's file in bytes
	After  int64         `json:"after"`
	Took   time.Duration `json:"took_ns"`
	Pause  time.Duration `json:"pause_ns"` // how long writes had to wait
}

// Moved is how far copying has come, in bytes.
type Moved struct {
	Done  int64 `json:"done"`
	Total int64 `json:"total"`
}

// CompactLine is one line of a compaction's answer, holding one of the three.
// An answer whose last line has neither result nor failure was cut off.
type CompactLine struct {
	Progress  *Moved     `json:"progress,omitempty"`
	Compacted *Compacted `json:"compacted,omitempty"`
	Failure   *Failure   `json:"failure,omitempty"`
}

// Failure is how the API says no.
type Failure struct {
	Kind       Kind         `json:"kind,omitempty"`
	Error      string       `json:"error"`
	Hint       string       `json:"hint,omitempty"`
	Candidates []capture.ID `json:"candidates,omitempty"` // KindAmbiguous
	More       bool         `json:"more,omitempty"`       // there are further candidates
}

// Kind is a failure that callers tell apart.
type Kind string

// The kinds.
const (
	KindNotFound  Kind = "not-found"
	KindAmbiguous Kind = "ambiguous"
	KindDamaged   Kind = "damaged"
	KindRequest   Kind = "request" // the question itself makes no sense
	KindLogin     Kind = "login"
	KindKept      Kind = "kept" // what is to be taken in is kept already
	KindOther     Kind = ""
)

// Errors that callers tell apart with errors.Is.
var (
	ErrNotFound = errors.New("no such capture")
	ErrDamaged  = errors.New("damaged")
	ErrRequest  = errors.New("bad request")
)

// Ambiguous is returned by Find for a prefix that names several captures.
type Ambiguous struct {
	Prefix string
	IDs    []capture.ID // the first few, ascending
	More   bool         // there are others
}

func (e *Ambiguous) Error() string {
	names := make([]string, len(e.IDs))
	for i, id := range e.IDs {
		names[i] = string(id)
	}
	more := ""
	if e.More {
		more = " and more"
	}
	return fmt.Sprintf("%q is the beginning of several captures: %s%s. Type a few characters more", e.Prefix, strings.Join(names, ", "), more)
}

// NotFound is the error for a prefix that names no capture.
func NotFound(prefix string) error {
	return &said{fmt.Sprintf("no capture begins with %q. `faultkeep list` shows them all", prefix), ErrNotFound}
}

// said is an error in words of which errors.Is knows the kind.
type said struct {
	text string
	kind error
}

func (e *said) Error() string { return e.text }
func (e *said) Unwrap() error { return e.kind }

// Say gives an error other words, keeping what errors.Is knows of it.
func Say(kind error, text string) error { return &said{text, kind} }

// FailureOf is an error as the API tells it.
func FailureOf(err error) Failure {
	var several *Ambiguous
	switch {
	case errors.As(err, &several):
		return Failure{Kind: KindAmbiguous, Error: several.Error(), Candidates: several.IDs, More: several.More}
	case errors.Is(err, ErrNotFound):
		return Failure{Kind: KindNotFound, Error: err.Error()}
	case errors.Is(err, ErrDamaged):
		return Failure{Kind: KindDamaged, Error: err.Error()}
	case errors.Is(err, ErrRequest):
		return Failure{Kind: KindRequest, Error: err.Error()}
	case errors.Is(err, ErrKept):
		return Failure{Kind: KindKept, Error: err.Error()}
	}
	return Failure{Error: err.Error()}
}

// Err is the failure as the error it was; prefix is what was asked for.
func (f Failure) Err(prefix string) error {
	text := f.Error
	if f.Hint != "" {
		text += ". " + f.Hint
	}
	switch f.Kind {
	case KindAmbiguous:
		return &Ambiguous{Prefix: prefix, IDs: f.Candidates, More: f.More}
	case KindNotFound:
		return &said{text, ErrNotFound}
	case KindDamaged:
		return &said{text, ErrDamaged}
	case KindRequest:
		return &said{text, ErrRequest}
	case KindKept:
		return &said{text, ErrKept}
	}
	return errors.New(text)
}

// Captures reads captures, newest first.
type Captures interface {
	Captures(ctx context.Context, q Query) ([]capture.Capture, error)
	// Find is the one capture whose ID begins with prefix; ErrNotFound or *Ambiguous otherwise.
	Find(ctx context.Context, prefix string) (capture.Capture, error)
	// Original are the bytes of one part, with zeros where there are none, and the ranges that are there.
	Original(ctx context.Context, id capture.ID, part string) ([]byte, []capture.Range, error)
}

// Ledger reads what was watched, missed and written.
type Ledger interface {
	Misses(ctx context.Context, q Query) ([]capture.Miss, error)
	// Spells are the blind spells that touch the period, by their beginning.
	Spells(ctx context.Context, q Query) ([]capture.Spell, error)
	Ledger(ctx context.Context, q Query) ([]Entry, error)
	// Coverage is how well each drive was watched over the period, by name; with
	// no beginning, since each was first known. Drives never watched are left out.
	Coverage(ctx context.Context, q Query) ([]coverage.Coverage, error)
}

// Verifier recomputes every checksum.
type Verifier interface {
	// Verify tells progress how far it has come; progress may be nil. The error
	// says why it ended early; what is damaged is in the report.
	Verify(ctx context.Context, progress func(done, total int)) (Report, error)
}

// Maintainer takes care of the store's file while it is in use.
type Maintainer interface {
	// Backup sends a copy of the store, as it is at one moment, to w. begin is
	// told its size in bytes before the first of them.
	Backup(ctx context.Context, w io.Writer, begin func(size int64)) error
	// Compact gives back what the file doesn't use. progress may be nil; it is told of bytes.
	Compact(ctx context.Context, progress func(done, total int64)) (Compacted, error)
}

// Marker marks captures: what somebody has looked at, what must stay, and what
// people write about them.
type Marker interface {
	// Mark says it of each capture; saying it again changes nothing but the notes.
	Mark(ctx context.Context, m Marking) error
	// Marks are what was said of captures; those without any are left out.
	Marks(ctx context.Context, ids []capture.ID) (map[capture.ID]Marks, error)
}

// Marking is a change of marks; what is nil or empty stays as it is.
type Marking struct {
	IDs      []capture.ID `json:"ids"`
	Reviewed *bool        `json:"reviewed,omitempty"`
	Pinned   *bool        `json:"pinned,omitempty"`
	Note     string       `json:"note,omitempty"`
	By       string       `json:"by,omitempty"` // who writes the note
	Tags     []string     `json:"tags,omitempty"`
	Untag    []string     `json:"untag,omitempty"`
	DropNote *time.Time   `json:"drop_note,omitempty"` // the note written at that time
}

// Marks are what people said of a capture.
type Marks struct {
	Pinned   time.Time `json:"pinned,omitzero"`   // since when it shall stay; zero: it isn't pinned
	Reviewed time.Time `json:"reviewed,omitzero"` // when it was looked at; zero: it wasn't
	capture.Remarks
}

// Samples decodes a capture's samples from its original bytes.
func Samples(ctx context.Context, from Captures, c capture.Capture) ([]capture.Series, error) {
	data, have, err := from.Original(ctx, c.ID, capture.Data)
	if err != nil {
		return nil, err
	}
	series, err := c.Encoding.Decode(data, have)
	if err != nil {
		return nil, Say(ErrDamaged, fmt.Sprintf("capture %s: its bytes can't be decoded: %v", c.ID, err))
	}
	return series, nil
}
