package alert

import (
	"context"
	"time"

	"faultkeep/store/capture"
)

// State is what holds of one drive now.
type State struct {
	Drive   string                `json:"drive"`
	Title   string                `json:"title,omitempty"`
	Watched bool                  `json:"watched"` // a recording that became ready now would be kept
	State   capture.RecorderState `json:"state"`
	Fault   *capture.Fault        `json:"fault,omitempty"` // the active one
	Since   time.Time             `json:"since"`           // when this came to be, as faultkeep saw it
	Note    string                `json:"note,omitempty"`  // why it isn't watched, and what to do
	Last    capture.ID            `json:"last_capture,omitempty"`
}

// Standing is a sink that also shows what stands, to whoever looks there.
type Standing interface {
	Sink
	// Stand shows it until ctx ends. states are all drives now; changed has
	// something to receive when they may be different. It reconnects by itself,
	// and holds nobody up.
	Stand(ctx context.Context, states func() []State, changed <-chan struct{})
}
