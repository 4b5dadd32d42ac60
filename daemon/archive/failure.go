package archive

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// Failure is why a daemon ended that wasn't told to.
type Failure struct {
	Time    time.Time `json:"time"`
	Version string    `json:"version"`
	Error   string    `json:"error"`
}

// FailureFile holds the Failure until the next daemon is at work, for whoever
// asks the service how it is and may not look into the system's log.
const FailureFile = "daemon.failed.json"

// ReadFailure reads how the last daemon ended. The error is fs.ErrNotExist
// where nothing is known of that.
func ReadFailure(dataFolder string) (f Failure, err error) {
	b, err := os.ReadFile(filepath.Join(dataFolder, FailureFile))
	if err == nil {
		err = json.Unmarshal(b, &f)
	}
	return f, err
}

// WriteFailure leaves word of a failure. It makes no folder.
func WriteFailure(dataFolder string, f Failure) error {
	b, err := json.Marshal(f)
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dataFolder, FailureFile), append(b, '\n'), 0o600)
}

// RemoveFailure forgets the last failure.
func RemoveFailure(dataFolder string) error {
	if err := os.Remove(filepath.Join(dataFolder, FailureFile)); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}
