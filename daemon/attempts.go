package daemon

import "faultkeep/daemon/alert"

// attempts notes in the log what sinks answer, and passes it on.
func (a *App) attempts(also func(alert.Attempt)) func(alert.Attempt) {
	return func(t alert.Attempt) {
		about := []any{"sink", t.Sink, "alert", t.Message.Alert.ID}
		switch t.Outcome {
		case alert.Sent:
			a.log.Debug("an alert was taken", about...)
		case alert.Aside:
			a.log.Error("an alert was refused for good and is set aside", append(about, "error", t.Err)...)
		case alert.NoStorage:
			a.log.Error("the outbox can't be read or written", append(about, "error", t.Err)...)
		default:
			a.log.Warn("an alert wasn't taken and is tried again", append(about, "error", t.Err, "next", t.Next)...)
		}
		if also != nil {
			also(t)
		}
	}
}
