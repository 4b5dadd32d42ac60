// Package carry takes captures to a USB stick: each as a bundle with a picture,
// an index that opens without faultkeep, and the SHA-256 of every file. What
// was carried to a stick is noted on the stick itself, so that each one of
// several gets all that is new to it, and an interrupted carry goes on.
//
// A file has its name only once it is whole, synced, and was read back. The
// sums and then the index come last.
package carry

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"faultkeep/daemon/export"
	"faultkeep/daemon/report"
	"faultkeep/store/capture"
)

// Options say what is carried and where to.
type Options struct {
	To       string // the folder; the one above it must be there
	Site     string
	Zone     *time.Location // nil: UTC
	All      bool           // also what was carried once and was taken off the stick
	Captures []capture.Capture
	// Record is a capture with all that is written of it.
	Record func(context.Context, capture.ID) (export.Record, error)
	// Skip tells whether an error of Record concerns that capture alone; nil: none does.
	Skip func(error) bool
	// Free is how many bytes can be written to the folder; nil: not known.
	Free     func(folder string) (int64, error)
	Progress func(Progress)   // may be nil
	Now      func() time.Time // nil: time.Now

	open func(string) (io.ReadCloser, error) // to read back; tests put failures here
}

// Progress is how far a carry has come.
type Progress struct {
	Checking bool // what is on the stick already
	Done, Of int  // captures
	Bytes    int64
}

// Done is what a carry came to.
type Done struct {
	To       string       `json:"to"`
	Carried  []File       `json:"carried"`
	Bytes    int64        `json:"bytes"`    // of what was carried, pictures included
	There    int          `json:"there"`    // captures that were on it already, and are intact
	Taken    int          `json:"taken"`    // carried earlier and taken off it since
	Damaged  []capture.ID `json:"damaged"`  // carried earlier and not what they were; written anew where they are still kept
	Left     []Left       `json:"left"`     // that can't be carried
	Index    string       `json:"index"`    // its path
	Sums     string       `json:"sums"`     // of the file with the hashes
	Captures int          `json:"captures"` // on it now
}

// File is one capture that was carried.
type File struct {
	Capture capture.ID `json:"capture"`
	File    string     `json:"file"` // below the folder
	Size    int64      `json:"size"`
	SHA256  string     `json:"sha256"`
}

// Left is a capture that couldn't be carried, and why.
type Left struct {
	Capture capture.ID `json:"capture"`
	Why     string     `json:"why"`
}

// Names of what lies in the folder.
const (
	IndexFile = "index.html"
	SumsFile  = "SHA256SUMS"
	logFile   = "faultkeep-carry.jsonl"

	bundles, pictures = "captures", "pictures"
)

// Run carries. Whatever ends it, every file that has its name is whole; the
// same again goes on with the rest.
func Run(ctx context.Context, o Options) (Done, error) {
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Progress == nil {
		o.Progress = func(Progress) {}
	}
	if o.Skip == nil {
		o.Skip = func(error) bool { return false }
	}
	c := &carrier{Options: o, stick: stick{folder: o.To, open: o.open}, at: o.Now().UTC().Truncate(time.Second)}
	c.done = Done{To: o.To, Carried: []File{}, Damaged: []capture.ID{}, Left: []Left{},
		Index: filepath.Join(o.To, IndexFile), Sums: filepath.Join(o.To, SumsFile)}
	defer func() {
		if c.stick.root != nil {
			_ = c.stick.root.Close()
		}
	}()
	for _, step := range []func(context.Context) error{c.prepare, c.look, c.room, c.carry, c.close} {
		if err := step(ctx); err != nil {
			return c.done, err
		}
	}
	return c.done, nil
}

type carrier struct {
	Options
	stick stick
	at    time.Time // of this carry
	log   map[capture.ID]entry
	there map[capture.ID]entry // on the stick and intact
	todo  []capture.Capture
	done  Done
}

// prepare makes the folders and reads what was carried before.
func (c *carrier) prepare(context.Context) (err error) {
	if info, err := os.Stat(c.To); err == nil && !info.IsDir() {
		return fmt.Errorf("%s is a file. Name the folder on the stick", c.To)
	}
	if _, err := os.Stat(filepath.Dir(filepath.Clean(c.To))); err != nil {
		return fmt.Errorf("%s isn't there: is the stick plugged in and mounted? %w", filepath.Dir(filepath.Clean(c.To)), err)
	}
	if err := os.Mkdir(c.To, 0o777); err != nil && !errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%s can't be made: %w", c.To, err)
	}
	if c.stick.root, err = os.OpenRoot(c.To); err != nil {
		return err
	}
	for _, dir := range []string{bundles, pictures} {
		if err := c.stick.root.MkdirAll(dir, 0o777); err != nil {
			return fmt.Errorf("%s can't be written to: %w", c.To, err)
		}
	}
	c.log, err = c.stick.readLog()
	return err
}

// look reads again all that is on the stick, and finds what is to be carried.
func (c *carrier) look(ctx context.Context) error {
	c.there = map[capture.ID]entry{}
	damaged := map[capture.ID]bool{}
	n := 0
	for id, e := range c.log {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		switch state, err := c.stick.check(e); {
		case err != nil:
			return err
		case state == intact:
			c.there[id] = e
		case state == spoilt:
			damaged[id] = true
			c.done.Damaged = append(c.done.Damaged, id)
		default:
			c.done.Taken++
		}
		n++
		c.Progress(Progress{Checking: true, Done: n, Of: len(c.log)})
	}
	slices.Sort(c.done.Damaged)
	c.done.There = len(c.there)
	for _, one := range c.Captures {
		_, carried := c.log[one.ID]
		_, there := c.there[one.ID]
		if !there && (!carried || damaged[one.ID] || c.All) {
			c.todo = append(c.todo, one)
		}
	}
	return nil
}

// Estimated size of what is carried of one capture: so much, and so many times
// the bytes of its originals. Bundles of small and large captures were
// measured; TestEstimate holds it to them.
const (
	eachTakes  = 24 << 10
	timesTaken = 7
	channel    = 24 << 10 // of the picture

	pictureWidth, laneHeight = 860, 64 // pixels
)

func estimate(c capture.Capture) int64 {
	size := c.Integrity.Size
	for _, p := range c.Integrity.Parts {
		if p.Name != capture.Data {
			size += p.Size / timesTaken
		}
	}
	return eachTakes + timesTaken*size + int64(len(c.Channels))*channel
}

// room says beforehand where there isn't enough.
func (c *carrier) room(context.Context) error {
	if c.Free == nil || len(c.todo) == 0 {
		return nil
	}
	free, err := c.Free(c.To)
	if err != nil {
		return nil // it shows
	}
	var need int64
	for _, one := range c.todo {
		need += estimate(one)
	}
	if need > free {
		return fmt.Errorf("the %s to carry may need up to %s, and %s has %s left. Free some space, take another stick, or carry fewer with --since",
			captures(len(c.todo)), size(need), c.To, size(free))
	}
	return nil
}

// carry writes one capture after the other, the newest first.
func (c *carrier) carry(ctx context.Context) error {
	for k, one := range c.todo {
		if ctx.Err() != nil {
			return c.broken(ctx.Err())
		}
		r, err := c.Record(ctx, one.ID)
		switch {
		case err != nil && ctx.Err() == nil && c.Skip(err):
			c.done.Left = append(c.done.Left, Left{one.ID, err.Error()})
			continue
		case err != nil:
			return c.broken(err)
		}
		e := c.entry(r)
		if e.Bundle, err = c.stick.put(ctx, bundles+"/"+export.FileName(one.ID, ".zip"), func(w io.Writer) error { return export.Bundle(w, r) }); err != nil {
			return c.broken(err)
		}
		if e.Picture, err = c.stick.put(ctx, pictures+"/"+export.FileName(one.ID, ".svg"), func(w io.Writer) error {
			_, err := w.Write(report.Lanes(r.Capture, r.Series, report.Options{Standalone: true, Width: pictureWidth, Height: laneHeight}))
			return err
		}); err != nil {
			return c.broken(err)
		}
		if err := c.stick.note(e); err != nil {
			return c.broken(err)
		}
		c.there[one.ID] = e
		c.done.Bytes += e.Bundle.Size + e.Picture.Size
		c.done.Carried = append(c.done.Carried, File{one.ID, e.Bundle.Name, e.Bundle.Size, e.Bundle.SHA256})
		c.Progress(Progress{Done: k + 1, Of: len(c.todo), Bytes: c.done.Bytes})
	}
	return nil
}

// broken says how far it came.
func (c *carrier) broken(err error) error {
	return fmt.Errorf("%w. %d of %s are on it whole; the same command goes on with the rest", err, len(c.done.Carried), captures(len(c.todo)))
}

// close writes the sums and the index, and takes away what interrupted carries left.
func (c *carrier) close(ctx context.Context) error {
	c.done.Captures = len(c.there)
	all := make([]entry, 0, len(c.there))
	for _, e := range c.there {
		all = append(all, e)
	}
	slices.SortFunc(all, newestFirst)
	if _, err := c.stick.put(ctx, SumsFile, func(w io.Writer) error { return writeSums(w, all) }); err != nil {
		return c.broken(err)
	}
	if _, err := c.stick.put(ctx, IndexFile, func(w io.Writer) error { return c.index(w, all) }); err != nil {
		return c.broken(err)
	}
	return c.stick.tidy()
}

func captures(n int) string {
	if n == 1 {
		return "1 capture"
	}
	return fmt.Sprintf("%d captures", n)
}

func size(n int64) string {
	switch {
	case n < 10<<20:
		return fmt.Sprintf("%d KiB", n>>10)
	case n < 10<<30:
		return fmt.Sprintf("%d MiB", n>>20)
	}
	return fmt.Sprintf("%d GiB", n>>30)
}
