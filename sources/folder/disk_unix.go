//go:build unix

package folder

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// retryFor is how long a rename is tried again: not at all.
const retryFor = 0 * time.Millisecond

// openAlone opens a file for reading. A pipe must not make it wait.
func openAlone(name string) (*os.File, error) {
	return os.OpenFile(name, os.O_RDONLY|syscall.O_NONBLOCK, 0)
}

// tagOf is the file's number and when anything about it changed, which writers
// can't set.
func tagOf(info fs.FileInfo) string {
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return ""
	}
	return fmt.Sprintf("%d %d", s.Ino, changed(s))
}

// mountPoint tells whether another file system begins at the folder.
func mountPoint(folder string, info fs.FileInfo) bool {
	above, err := os.Stat(filepath.Dir(folder))
	if err != nil {
		return false
	}
	here, ok := info.Sys().(*syscall.Stat_t)
	up, ok2 := above.Sys().(*syscall.Stat_t)
	return ok && ok2 && here.Dev != up.Dev
}
