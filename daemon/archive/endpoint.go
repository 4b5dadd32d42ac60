package archive

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"faultkeep/store/swap"
)

// Endpoint is where the running daemon answers, and what lets a command in.
type Endpoint struct {
	Address string `json:"address"` // "http://127.0.0.1:8417"
	Token   string `json:"token"`
	// Certificate is the SHA-256, in hexadecimal digits, of the one that the
	// daemon shows over https; commands talk to no other.
	Certificate string `json:"certificate,omitempty"`
	PID         int    `json:"pid"`
	Version     string `json:"version"`
}

// endpointFile holds the Endpoint. Only the account that runs the daemon may
// read it: the token in it opens everything that was kept.
const endpointFile = "daemon.json"

// ReadEndpointFile reads what the last daemon left; it may be dead.
func ReadEndpointFile(dataFolder string) (Endpoint, error) {
	var e Endpoint
	path := filepath.Join(dataFolder, endpointFile)
	b, err := os.ReadFile(path)
	if err != nil {
		return e, err
	}
	if err := json.Unmarshal(b, &e); err != nil {
		return e, fmt.Errorf("%s: %w", path, err)
	}
	if e.Address == "" || e.Token == "" {
		return e, fmt.Errorf("%s: it has no address or no token", path)
	}
	return e, nil
}

// WriteEndpointFile tells commands where this daemon answers. The file takes
// its place in one step, so that no one reads half of it.
func WriteEndpointFile(dataFolder string, e Endpoint) (err error) {
	b, err := json.MarshalIndent(e, "", "  ")
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(dataFolder, endpointFile+".*") // made with mode 0600
	if err != nil {
		return fmt.Errorf("commands can't be told where faultkeep runs: %w", err)
	}
	defer func() {
		if err != nil {
			_ = os.Remove(f.Name())
			err = fmt.Errorf("commands can't be told where faultkeep runs: %w", err)
		}
	}()
	_, err = f.Write(append(b, '\n'))
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return err
	}
	return swap.File(f.Name(), filepath.Join(dataFolder, endpointFile))
}

// RemoveEndpointFile takes back what WriteEndpointFile told.
func RemoveEndpointFile(dataFolder string) error {
	err := os.Remove(filepath.Join(dataFolder, endpointFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}
