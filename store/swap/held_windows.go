package swap

import (
	"errors"

	"golang.org/x/sys/windows"
)

// held tells whether somebody has a file open. Replacing one that is open is
// refused as if a right were missing.
func held(err error) bool {
	return errors.Is(err, windows.ERROR_ACCESS_DENIED) || errors.Is(err, windows.ERROR_SHARING_VIOLATION)
}
