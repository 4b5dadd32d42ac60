//go:build !linux

package carry

import "os"

// forget drops what memory holds of a synced file; only on Linux.
func forget(*os.File) {}
