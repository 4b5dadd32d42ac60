// Package intake takes files in that somebody hands over, and reads files
// again that couldn't be read before. It works on whatever the archive gives:
// the running daemon, or the store's file.
package intake

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/sources"
	"faultkeep/sources/folder"
	"faultkeep/store/capture"
)

// Result is what became of one set of files, or of what was unread.
type Result struct {
	Files  []string     `json:"files"`
	Unread capture.ID   `json:"unread,omitempty"` // what was read again
	Kept   []capture.ID `json:"kept"`             // made now
	Known  []capture.ID `json:"known"`            // kept before
	Error  string       `json:"error,omitempty"`  // why nothing, or not all of it, is kept

	Captures []capture.Capture `json:"-"` // those of Kept
}

func (r *Result) take(out folder.Outcome, err error) {
	for _, c := range out.Kept {
		r.Captures = append(r.Captures, c)
		r.Kept = append(r.Kept, c.ID)
	}
	r.Known = append(r.Known, out.Known...)
	if err != nil {
		r.Error = err.Error()
	}
}

// source marks captures that were taken in by hand.
const source = "import"

// Import reads files as the reader says and keeps what is in them. Files that
// belong together count as one, in whatever order they are named. each is told
// what became of every set, as it goes; it ends early only where the store
// doesn't take anything, or ctx ends.
func Import(ctx context.Context, in archive.Intake, reader folder.Reader, names []string, each func(r Result, done, total int)) error {
	var paths []string
	for _, name := range names {
		full, err := filepath.Abs(name)
		if err != nil {
			return err
		}
		if full = filepath.ToSlash(full); !slices.Contains(paths, full) {
			paths = append(paths, full)
		}
	}
	group := reader.Group
	if group == nil {
		group = folder.ByName
	}
	reader.Source, reader.Again = source, true
	sets := group(paths)
	for i, set := range sets {
		r := Result{Files: set.All(), Kept: []capture.ID{}, Known: []capture.ID{}}
		reader.Root = filepath.Dir(filepath.FromSlash(set.Files[0]))
		files, extra, err := readSet(set)
		if err == nil {
			var out folder.Outcome
			out, err = reader.Keep(ctx, keeper{in}, files, extra, time.Now())
			r.take(out, err)
			if !fileFault(err) {
				return err
			}
		} else {
			r.Error = err.Error()
		}
		each(r, i+1, len(sets))
	}
	return nil
}

// fileFault tells whether an error, if there is one, is a file's: the next can do better.
func fileFault(err error) bool {
	var bad *folder.Unreadable
	return err == nil || errors.As(err, &bad)
}

func readSet(set folder.Set) (files, extra []folder.File, err error) {
	for i, p := range set.All() {
		f, err := folder.ReadFile(filepath.FromSlash(p))
		if err != nil {
			return nil, nil, err
		}
		if i < len(set.Files) {
			files = append(files, f)
		} else {
			extra = append(extra, f)
		}
	}
	return files, extra, nil
}

// Reread decodes once more what was kept unread, with the reader that readerOf
// gives for it: mostly that of a folder whose config was mended meanwhile.
func Reread(ctx context.Context, in archive.Intake, list []capture.Capture, readerOf func(capture.Capture) folder.Reader, each func(r Result, done, total int)) error {
	for i, c := range list {
		r := Result{Unread: c.ID, Files: []string{}, Kept: []capture.ID{}, Known: []capture.ID{}}
		reader := readerOf(c)
		reader.Again = true
		reader.Root, reader.Archive = whence(c)
		files, extra, err := originals(ctx, in, reader.Group, c)
		if err != nil {
			return err
		}
		for _, f := range slices.Concat(files, extra) {
			r.Files = append(r.Files, f.Path)
		}
		if len(files) == 0 {
			r.Error = "nothing was in the file"
		} else {
			out, err := reader.Keep(ctx, keeper{in}, files, extra, time.Now())
			if !fileFault(err) {
				return err
			}
			r.take(out, err)
			hash, _, _, ok := capture.ParseContentIdentity(c.Provenance.Identity)
			if err == nil && ok { // an archive's captures are of what is in it, so they don't tell
				if err := in.ReadNow(ctx, hash); err != nil {
					return err
				}
			}
		}
		each(r, i+1, len(list))
	}
	return nil
}

// whence is the folder that files were in, and the archive there that they
// came out of, if they did.
func whence(c capture.Capture) (root, inArchive string) {
	at := c.Provenance.Address
	for _, f := range c.Provenance.Files {
		name := filepath.FromSlash(f.Name)
		if before, ok := strings.CutSuffix(at, "!"+name); ok {
			return filepath.Dir(before), filepath.Base(before)
		}
		if before, ok := strings.CutSuffix(at, name); ok {
			return filepath.Clean(before), ""
		}
	}
	return filepath.Dir(at), ""
}

// originals are the files of an unread capture: those that belong together
// with the first, and all others.
func originals(ctx context.Context, in archive.Intake, group folder.Group, c capture.Capture) (files, extra []folder.File, err error) {
	if group == nil {
		group = folder.ByName
	}
	byName := map[string]folder.File{}
	var names []string
	for _, f := range c.Provenance.Files {
		if f.Part == "" {
			continue
		}
		b, _, err := in.Original(ctx, c.ID, f.Part)
		if err != nil {
			return nil, nil, err
		}
		byName[f.Name] = folder.File{Path: f.Name, Modified: f.Modified, Bytes: b}
		names = append(names, f.Name)
	}
	for _, set := range group(names) {
		first := slices.Contains(set.All(), names[0])
		for _, name := range set.All() {
			if first && slices.Contains(set.Files, name) {
				files = append(files, byName[name])
			} else {
				extra = append(extra, byName[name])
			}
		}
	}
	return files, extra, nil
}

// keeper lets a folder.Reader keep through an archive.
type keeper struct{ archive.Intake }

var (
	_ folder.Drafter = keeper{}
	_ folder.Memory  = keeper{}
)

func (k keeper) Draft(_ context.Context, opening capture.Capture) (sources.Draft, error) {
	return &draft{k, opening}, nil
}

func (k keeper) Arrived(ctx context.Context, hash string) (folder.Arrival, error) {
	a, err := k.Intake.Arrived(ctx, hash)
	return folder.Arrival(a), err
}

// Files and Remember are a watch's business.
func (keeper) Files(context.Context, string) (map[string]string, bool, error) { return nil, false, nil }

func (keeper) Remember(context.Context, string, map[string]string) error { return nil }

// draft is a capture that is sent as a whole when it is to be kept.
type draft struct {
	k       keeper
	opening capture.Capture
}

func (d *draft) Opening() capture.Capture { return d.opening }

func (d *draft) Have() []capture.Range { return nil }

func (d *draft) Bytes(string, int64, int) ([]byte, bool, error) { return nil, false, nil }

func (d *draft) Append(context.Context, ...capture.Chunk) error {
	return errors.New("a capture is taken in as a whole")
}

func (d *draft) Keep(ctx context.Context, c capture.Capture, chunks ...capture.Chunk) (capture.Capture, error) {
	kept, err := d.k.Take(ctx, c, chunks)
	if errors.Is(err, archive.ErrKept) {
		err = sources.ErrKept
	}
	return kept, err
}

func (d *draft) Drop(context.Context) error { return nil }
