package carry

import (
	"os"

	"golang.org/x/sys/unix"
)

// forget drops what memory holds of a synced file.
func forget(f *os.File) { _ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED) }
