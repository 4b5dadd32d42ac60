package wire

import (
	"context"
	"encoding/json"
	"time"
)

// Stander tells how things stand now.
type Stander interface {
	// Standing is how things stand; alerts that were refused are counted from since on.
	Standing(ctx context.Context, since time.Time) (Standing, error)
}

// Standing is how things stand at one moment, as far as neither captures nor
// ledger tell it.
type Standing struct {
	Now         time.Time     `json:"now"`
	Site        string        `json:"site,omitempty"`
	Running     bool          `json:"running"`          // faultkeep runs; else Drives isn't known
	Drives      []DriveStands `json:"drives,omitempty"` // in the order of the config
	Store       StoreStands   `json:"store"`
	Alarms      int           `json:"alarms"`              // that nobody acknowledged
	Undelivered []Undelivered `json:"undelivered"`         // by sink
	LastBrief   time.Time     `json:"last_brief,omitzero"` // until when the last brief told; zero: there was none
}

// DriveStands is a drive at this moment.
type DriveStands struct {
	Drive   string `json:"drive"`
	Title   string `json:"title,omitempty"`
	Watched bool   `json:"watched"`
	Note    string `json:"note,omitempty"` // why it isn't watched, and what to do
	// Need is what it takes to keep its recording for certain, Stands how long
	// one stands at the shortest; 0: not known. Advice would win a lost race.
	Need   time.Duration `json:"need_ns,omitempty"`
	Stands time.Duration `json:"stands_ns,omitempty"`
	Advice string        `json:"advice,omitempty"`
}

// StoreStands is what the store takes and what is left. Sizes are in bytes.
type StoreStands struct {
	Captures int   `json:"captures"`
	Used     int64 `json:"used"`
	Free     int64 `json:"free"`           // on its volume; below 0: not known
	Low      bool  `json:"low,omitempty"`  // less than the config wants
	Full     bool  `json:"full,omitempty"` // so little that no new recordings are kept
}

// Undelivered is what one sink hasn't taken.
type Undelivered struct {
	Sink    string    `json:"sink"`
	Waiting int       `json:"waiting"`
	Since   time.Time `json:"since,omitzero"`    // of the oldest that waits
	Why     string    `json:"why,omitempty"`     // why that wasn't taken; "": it wasn't tried yet
	Refused int       `json:"refused,omitempty"` // given up
	Because string    `json:"because,omitempty"` // why the last of these was
}

// Briefs are those that were made by themselves.
type Briefs interface {
	// Brief is the brief of that ID, or with "" the last one; ErrNotFound where there is none.
	Brief(ctx context.Context, id string) (Brief, error)
}

// Brief is a brief as it was told.
type Brief struct {
	ID       string          `json:"id"`
	Due      time.Time       `json:"due"`
	From     time.Time       `json:"from"`
	To       time.Time       `json:"to"`
	Headline string          `json:"headline"`
	Text     string          `json:"text"`
	HTML     string          `json:"html"`
	Brief    json.RawMessage `json:"brief"` // for programs
}
