package wire

import (
	"context"
	"time"

	"faultkeep/daemon/analysis/recurrence"
	"faultkeep/store/capture"
)

// Analyst tells what captures say.
type Analyst interface {
	// Study is what was found in a capture, and which others look like it as of
	// now, with dates of the zone; nil: the site's, or UTC. One that wasn't
	// analysed yet has Version 0.
	Study(ctx context.Context, id capture.ID, zone *time.Location) (capture.Study, error)
	// Analyse computes the findings of a capture anew and stores them.
	Analyse(ctx context.Context, id capture.ID, zone *time.Location) (capture.Study, error)
	// Recurrences say how often trips come: of each drive, each fault code on
	// it, and each family of captures that look alike.
	Recurrences(ctx context.Context, q Query) ([]Recurrence, error)
}

// Short is what a list tells of a capture.
type Short struct {
	Headline string // what moved first, or else what there is to tell
	Family   string // of captures that look alike; "": it is like none
}

// Repairs are what was done to drives and machines.
type Repairs interface {
	// Repairs are those of a drive, or all with "", oldest first.
	Repairs(ctx context.Context, drive string) ([]capture.Repair, error)
	AddRepair(ctx context.Context, r capture.Repair) error
	// DropRepair takes one off the list; drive and time name it.
	DropRepair(ctx context.Context, r capture.Repair) error
}

// Recurrence is how often trips of one group come.
type Recurrence struct {
	Drive  string `json:"drive"`
	Title  string `json:"title,omitempty"`
	Fault  string `json:"fault,omitempty"`  // in words with its code; "": all faults of the drive
	Family string `json:"family,omitempty"` // "": whatever they look like

	recurrence.Report
	Watched []recurrence.Span `json:"-"` // when somebody was watching
	Trips   []Trip            `json:"trips"`
	Repairs []Repaired        `json:"repairs,omitempty"`
}

// Trip is one trip of a recurrence.
type Trip struct {
	Time    time.Time  `json:"time"`
	Capture capture.ID `json:"capture,omitempty"` // "": missed
}

// Repaired is a repair, and what the trips say of it.
type Repaired struct {
	capture.Repair
	Judged recurrence.Repair `json:"judged"`
}
