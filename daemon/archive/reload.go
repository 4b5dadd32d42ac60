package archive

import (
	"context"
	"errors"
	"net/http"

	"faultkeep/daemon/web/wire"
)

// Reloaded is what became of a config file that was read again.
type Reloaded = wire.Reloaded

// ErrNotRunning is the error where no daemon runs on the data folder, or none
// that this account may ask.
var ErrNotRunning = errors.New("no faultkeep runs there")

// Reload has the daemon that runs on the data folder read its config again.
func Reload(ctx context.Context, dataFolder string) (out Reloaded, err error) {
	c := running(ctx, dataFolder)
	if c == nil {
		return out, ErrNotRunning
	}
	defer c.Close()
	answer, err := c.ask(ctx, http.MethodPost, nil, 0, nil, "reload")
	if err != nil {
		return out, err
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK && answer.StatusCode != http.StatusUnprocessableEntity {
		return out, c.failure(answer, "")
	}
	return out, c.decode(ctx, answer, &out)
}
