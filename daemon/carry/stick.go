package carry

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"faultkeep/store/capture"
	"faultkeep/store/swap"
)

// entry is a line of the log: one capture that was carried.
type entry struct {
	Capture capture.ID `json:"capture"`
	Site    string     `json:"site,omitempty"`
	Drive   string     `json:"drive"` // as people call it
	Fault   string     `json:"fault"`
	Time    time.Time  `json:"time"` // of the trigger, in the site's zone
	Status  string     `json:"status"`
	First   string     `json:"first,omitempty"` // the finding to tell first
	Carried time.Time  `json:"carried"`
	Bundle  written    `json:"bundle"`
	Picture written    `json:"picture"`
}

func newestFirst(a, b entry) int {
	return cmp.Or(b.Time.Compare(a.Time), cmp.Compare(a.Capture, b.Capture))
}

// written is one file below the folder; its name has slashes everywhere.
type written struct {
	Name   string `json:"name"`
	Size   int64  `json:"size"`
	SHA256 string `json:"sha256"`
}

// stick is the folder that is carried to. Nothing on it, such as a link that
// somebody put there, leads out of it.
type stick struct {
	folder string
	root   *os.Root
	open   func(name string) (io.ReadCloser, error)
}

// A file that isn't finished is hidden beside where it will be, under a name
// that the next carry uses again.
const partPrefix, partSuffix = ".faultkeep-", ".part"

// put writes a file: synced, read back and compared before it gets its name,
// which is synced too. Whatever had the name before is there until then.
func (s stick) put(ctx context.Context, name string, write func(io.Writer) error) (out written, err error) {
	part := path.Join(path.Dir(name), partPrefix+path.Base(name)+partSuffix)
	defer func() {
		if err != nil {
			_ = s.root.Remove(part)
			err = fmt.Errorf("%s can't be written: %w", filepath.Join(s.folder, filepath.FromSlash(name)), err)
		}
	}()
	_ = s.root.Remove(part) // of an interrupted carry
	f, err := s.root.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return out, err
	}
	sum := sha256.New()
	to := bufio.NewWriterSize(&counter{to: io.MultiWriter(f, sum), n: &out.Size, ctx: ctx}, 256<<10)
	if err = write(to); err == nil {
		err = to.Flush()
	}
	if err == nil {
		err = f.Sync()
	}
	if err == nil {
		forget(f) // so that it is read from the stick and not from memory
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return out, err
	}
	out.Name, out.SHA256 = name, hex.EncodeToString(sum.Sum(nil))
	n, back, err := s.sum(part)
	if err != nil {
		return out, err
	}
	if n != out.Size || back != out.SHA256 {
		return out, errors.New("what was read back isn't what was written: the stick may be worn out or false; take another one")
	}
	if err = swap.Retry(func() error { return s.root.Rename(part, name) }); err != nil {
		return out, err
	}
	s.syncFolder(path.Dir(name))
	return out, nil
}

// counter counts what is written until the context ends.
type counter struct {
	to  io.Writer
	n   *int64
	ctx context.Context
}

func (c *counter) Write(b []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	n, err := c.to.Write(b)
	*c.n += int64(n)
	return n, err
}

// sum reads a file.
func (s stick) sum(name string) (size int64, sha string, err error) {
	open := s.open
	if open == nil {
		open = func(name string) (io.ReadCloser, error) { return s.root.Open(name) }
	}
	f, err := open(name)
	if err != nil {
		return 0, "", err
	}
	defer f.Close()
	h := sha256.New()
	size, err = io.Copy(h, f)
	return size, hex.EncodeToString(h.Sum(nil)), err
}

// state is what has become of something that was carried.
type state int

const (
	gone   state = iota // neither of its files is there
	intact              // both are what they were
	spoilt              // something else
)

// check reads the files of a capture that was carried.
func (s stick) check(e entry) (state, error) {
	missing, good := 0, 0
	for _, w := range []written{e.Bundle, e.Picture} {
		n, sum, err := s.sum(w.Name)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			missing++
		case err == nil && n == w.Size && sum == w.SHA256:
			good++
		}
	}
	switch {
	case good == 2:
		return intact, nil
	case missing == 2, missing == 1 && good == 1: // somebody took the bundle
		return gone, nil
	}
	return spoilt, nil
}

// readLog reads what was carried; of several lines about a capture the last
// one counts. A line that an interruption cut short is passed over.
func (s stick) readLog() (map[capture.ID]entry, error) {
	out := map[capture.ID]entry{}
	b, err := s.root.ReadFile(logFile)
	if errors.Is(err, fs.ErrNotExist) {
		return out, nil
	}
	if err != nil {
		return nil, err
	}
	for line := range bytes.Lines(b) {
		var e entry
		if json.Unmarshal(line, &e) == nil && e.Capture != "" && local(e.Bundle.Name) && local(e.Picture.Name) {
			out[e.Capture] = e
		}
	}
	return out, nil
}

// local tells whether a name in the log, which anybody may have written, stays
// in the folder.
func local(name string) bool { return filepath.IsLocal(filepath.FromSlash(name)) }

// note puts a line at the end of the log, durably.
func (s stick) note(e entry) error {
	line, err := json.Marshal(e)
	if err != nil {
		return err
	}
	f, err := s.root.OpenFile(logFile, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o666)
	if err != nil {
		return err
	}
	defer f.Close()
	var last [1]byte
	if info, err := f.Stat(); err == nil && info.Size() > 0 {
		if _, err := f.ReadAt(last[:], info.Size()-1); err == nil && last[0] != '\n' {
			line = append([]byte("\n"), line...) // after a line that was cut short
		}
	}
	if _, err := f.Write(append(line, '\n')); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	s.syncFolder(".")
	return nil
}

// writeSums writes what sha256sum -c reads.
func writeSums(w io.Writer, all []entry) error {
	var b strings.Builder
	for _, e := range all {
		for _, f := range []written{e.Bundle, e.Picture} {
			fmt.Fprintf(&b, "%s  %s\n", f.SHA256, f.Name)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// tidy takes away what interrupted carries left.
func (s stick) tidy() error {
	for _, dir := range []string{".", bundles, pictures} {
		list, err := fs.ReadDir(s.root.FS(), dir)
		if err != nil {
			return err
		}
		for _, f := range list {
			if n := f.Name(); strings.HasPrefix(n, partPrefix) && strings.HasSuffix(n, partSuffix) {
				if err := s.root.Remove(path.Join(dir, n)); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// syncFolder makes new names in a folder durable, where the system can.
func (s stick) syncFolder(name string) {
	if dir, err := s.root.Open(name); err == nil {
		_ = dir.Sync()
		_ = dir.Close()
	}
}
