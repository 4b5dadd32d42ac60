package wire

import (
	"context"

	"faultkeep/store/capture"
)

// Telling is how people are told: alarms, quiet times, and how far each
// sink's alerts have come.
type Telling interface {
	// Alarms are all that aren't normal, what nobody has acknowledged first.
	Alarms(ctx context.Context) ([]capture.OpenAlarm, error)
	// Acknowledge says that somebody knows of alarms, named by their keys.
	Acknowledge(ctx context.Context, who string, keys ...string) error
	// Quiets are the quiet times that aren't over.
	Quiets(ctx context.Context) ([]capture.Quiet, error)
	AddQuiet(ctx context.Context, q capture.Quiet) (capture.Quiet, error)
	// EndQuiet ends a quiet time before its end, or takes it off the plan.
	EndQuiet(ctx context.Context, id, who string) error
	// Boxes are all sinks, by name.
	Boxes(ctx context.Context) ([]capture.SinkBox, error)
	// SendAgain puts a message that was refused for good back into the outbox.
	SendAgain(ctx context.Context, sink string, seq uint64) error
	// Forget takes such a message off the list.
	Forget(ctx context.Context, sink string, seq uint64) error
}

// Acknowledging names alarms that somebody knows of.
type Acknowledging struct {
	Keys []string `json:"keys"`
	By   string   `json:"by,omitempty"`
}

// Refused names a message that a sink refused for good.
type Refused struct {
	Sink string `json:"sink"`
	Seq  uint64 `json:"seq"`
}
