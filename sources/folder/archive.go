package folder

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"path"
	"strings"
	"time"

	"faultkeep/store/format"
)

// File is one file with its bytes, as it was found or handed over.
type File struct {
	Path     string // below the folder or archive, with slashes
	Modified time.Time
	Bytes    []byte
}

func isArchive(p string) bool { return extension(p) == ".zip" }

// unpack reads the files of an archive. Nothing that the archive says of
// itself is believed: what comes out is counted while it comes.
func unpack(archive File, zone *time.Location) ([]File, error) {
	name := shown(path.Base(archive.Path))
	bad := func(what, hint string, err error) error {
		return &format.Error{File: name, What: what, Hint: hint, Err: err}
	}
	z, err := zip.NewReader(bytes.NewReader(archive.Bytes), int64(len(archive.Bytes)))
	if z == nil || err != nil && !errors.Is(err, zip.ErrInsecurePath) {
		// The list of members stands at the end: without it the file may be half written.
		return nil, bad(fmt.Sprintf("can't be read as a zip archive: %v", err), "", format.ErrIncomplete)
	}
	if len(z.File) > mostMembers {
		return nil, bad(fmt.Sprintf("holds %d files, more than the %d that faultkeep reads", len(z.File), mostMembers), "unpack it into the folder", nil)
	}
	var files []File
	seen := map[string]bool{}
	left := int64(mostArchive)
	for _, m := range z.File {
		p := strings.ReplaceAll(m.Name, `\`, "/")
		if strings.HasSuffix(p, "/") {
			continue
		}
		clean := path.Clean(p)
		switch {
		case path.IsAbs(clean) || clean == ".." || strings.HasPrefix(clean, "../") || strings.Contains(clean, ":") || strings.ContainsRune(clean, 0):
			return nil, bad(fmt.Sprintf("holds a file called %q, which leads out of the archive", shown(m.Name)), "find out who made it before you open it", nil)
		case seen[clean]:
			return nil, bad(fmt.Sprintf("holds two files called %q", shown(clean)), "unpack it into the folder", nil)
		case m.Flags&1 != 0:
			return nil, bad(fmt.Sprintf("holds %q protected by a password", shown(clean)), "unpack it into the folder", nil)
		}
		seen[clean] = true
		b, err := unpackOne(m, left)
		switch {
		case errors.Is(err, errTooLarge):
			return nil, bad(fmt.Sprintf("holds more than the %d MiB that faultkeep unpacks", mostArchive>>20), "unpack it into the folder", nil)
		case err != nil:
			return nil, bad(fmt.Sprintf("holds %q, which can't be unpacked: %v", shown(clean), err), "pack it again from the files themselves", nil)
		}
		left -= int64(len(b))
		files = append(files, File{Path: clean, Modified: inZone(m, zone), Bytes: b})
	}
	if len(files) == 0 {
		return nil, bad("is an empty archive", "", nil)
	}
	return files, nil
}

func unpackOne(m *zip.File, left int64) ([]byte, error) {
	in, err := m.Open()
	if err != nil {
		return nil, err
	}
	defer in.Close()
	b, err := io.ReadAll(io.LimitReader(in, left+1))
	if err == nil && int64(len(b)) > left {
		err = errTooLarge
	}
	return b, err
}

// inZone is when a member was written. An old zip archive holds a clock's
// face without its zone.
func inZone(m *zip.File, zone *time.Location) time.Time {
	at := m.Modified
	if at.Location() == time.UTC && zone != nil {
		at = time.Date(at.Year(), at.Month(), at.Day(), at.Hour(), at.Minute(), at.Second(), 0, zone)
	}
	return at.UTC()
}
