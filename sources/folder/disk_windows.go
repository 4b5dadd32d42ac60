package folder

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"
	"time"

	"golang.org/x/sys/windows"
)

// retryFor is how long a rename is tried again.
const retryFor = 500 * time.Millisecond

// openAlone opens a file that nobody else has open: whoever writes it has
// finished then.
func openAlone(name string) (*os.File, error) {
	p, err := windows.UTF16PtrFromString(name)
	if err != nil {
		return nil, err
	}
	h, err := windows.CreateFile(p, windows.GENERIC_READ, 0, nil, windows.OPEN_EXISTING, windows.FILE_ATTRIBUTE_NORMAL, 0)
	switch {
	case errors.Is(err, windows.ERROR_SHARING_VIOLATION):
		return nil, &fs.PathError{Op: "open", Path: name, Err: errBusy}
	case err != nil:
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	return os.NewFile(uintptr(h), name), nil
}

// tagOf is when the file was made, which a file that takes another's place
// mostly changes.
func tagOf(info fs.FileInfo) string {
	d, ok := info.Sys().(*syscall.Win32FileAttributeData)
	if !ok {
		return ""
	}
	return fmt.Sprint(d.CreationTime.Nanoseconds())
}

// mountPoint isn't told here: a share that is gone can't be looked into at all.
func mountPoint(string, fs.FileInfo) bool { return false }
