package daemon_test

import (
	"testing"

	"faultkeep/daemon"
)

// What sinks are shown of a drive: watched, and since when, which doesn't move
// while nothing changes.
func TestShownState(t *testing.T) {
	y := newYard(t)
	y.write(t, "", y.drive("elevator", ""))
	y.start(t)
	states := daemon.Shown(y.app)
	eventually(t, "watched", func() bool { return states()[0].Watched })
	first := states()[0]
	if again := states()[0]; first.Drive != "elevator" || first.Since.IsZero() || !again.Since.Equal(first.Since) || first.State == "" || first.Note != "" {
		t.Errorf("%+v, then %+v", first, again)
	}
}
