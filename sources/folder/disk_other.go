//go:build !unix && !windows

package folder

import (
	"io/fs"
	"os"
	"time"
)

const retryFor = 0 * time.Millisecond

func openAlone(name string) (*os.File, error) { return os.Open(name) }

func tagOf(fs.FileInfo) string { return "" }

// mountPoint isn't told here: a share that is gone can't be looked into at all.
func mountPoint(string, fs.FileInfo) bool { return false }
