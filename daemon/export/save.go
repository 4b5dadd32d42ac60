package export

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"faultkeep/store/swap"
)

// ErrExists is returned by Save for a file that is there already.
var ErrExists = errors.New("the file exists already")

// Save puts what write writes at path, whole or not at all: it goes to a file
// beside it first, which then takes its place. A file that is there already
// is left as it is unless force is set.
func Save(path string, force bool, write func(io.Writer) error) (err error) {
	if path, err = target(path, force); err != nil {
		return err
	}
	var tag [6]byte
	if _, err := rand.Read(tag[:]); err != nil {
		return err
	}
	// Made by hand and not as a temporary file, so that it has the permissions
	// that the user's other files have.
	part := filepath.Join(filepath.Dir(path), partPrefix+hex.EncodeToString(tag[:])+partSuffix)
	clearLeft(filepath.Dir(path))
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = os.Remove(part)
		}
	}()
	err = write(f)
	if err == nil {
		err = f.Sync()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	if force {
		return swap.File(part, path)
	}
	// A link never replaces a file that appeared meanwhile, as a rename would.
	switch err := os.Link(part, path); {
	case err == nil:
		return os.Remove(part)
	case errors.Is(err, fs.ErrExist):
		return fmt.Errorf("%s: %w", path, ErrExists)
	}
	if _, err := os.Lstat(path); err == nil { // a volume without links
		return fmt.Errorf("%s: %w", path, ErrExists)
	}
	return swap.File(part, path)
}

const partPrefix, partSuffix = ".faultkeep-", ".part"

// leftAfter is how long nothing was written to a file of which the writer must be dead.
const leftAfter = time.Hour

// clearLeft takes away what was left of exports that were killed, or whose
// computer lost its power.
func clearLeft(folder string) {
	left, err := filepath.Glob(filepath.Join(folder, partPrefix+"*"+partSuffix))
	if err != nil {
		return // a folder whose name is a pattern
	}
	for _, file := range left {
		if info, err := os.Lstat(file); err == nil && info.Mode().IsRegular() && time.Since(info.ModTime()) > leftAfter {
			_ = os.Remove(file)
		}
	}
}

// target is the file to write: with force, what a link leads to. Only a file is
// ever replaced, never a device or a folder.
func target(path string, force bool) (string, error) {
	if _, err := os.Lstat(path); err != nil {
		return path, nil // what is wrong with its folder shows when the file is made
	}
	if !force {
		return "", fmt.Errorf("%s: %w", path, ErrExists)
	}
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return "", fmt.Errorf("%s leads nowhere: %w", path, err)
	}
	if info, err := os.Stat(real); err == nil && !info.Mode().IsRegular() {
		return "", fmt.Errorf("%s is not a file and is left alone", path)
	}
	return real, nil
}
