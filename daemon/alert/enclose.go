package alert

import (
	"context"
	"errors"

	"faultkeep/store/capture"
)

// Enclosures is what a sink may enclose with an alert. An error means that the
// alert goes without.
type Enclosures interface {
	// Picture of a capture's lanes, as PNG.
	Picture(ctx context.Context, id capture.ID) ([]byte, error)
	// Brief that an alert of capture.KindBrief is about.
	Brief(ctx context.Context, id string) (Brief, error)
}

// Brief is a brief as a message to people.
type Brief struct {
	Subject  string
	Text     string            // all of it, in plain text
	HTML     string            // the same; refers to its pictures as cid:CONTENT-ID
	Pictures map[string][]byte // PNG by content-ID
}

// NoEnclosures is for where there is nothing to enclose.
type NoEnclosures struct{}

var errNothing = errors.New("there is nothing to enclose")

// Picture says that there is none.
func (NoEnclosures) Picture(context.Context, capture.ID) ([]byte, error) { return nil, errNothing }

// Brief says that there is none.
func (NoEnclosures) Brief(context.Context, string) (Brief, error) { return Brief{}, errNothing }
