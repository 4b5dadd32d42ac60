package config

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"
	_ "time/tzdata" // Windows has no time zones of its own

	"faultkeep/configs/strict"
)

// Load reads the config file, the maps and the fault tables. Where it returns
// problems there is no Loaded.
func Load(path string) (*Loaded, strict.Problems) {
	src, err := read(path)
	if err != nil {
		return nil, strict.Problems{{File: path, Text: "can't be read: " + cause(err),
			Hint: "give the config file with --config"}}
	}
	return Parse(path, src)
}

// Parse is Load for a file whose bytes are at hand; path places the problems
// and the files that the config names.
func Parse(path string, src []byte) (*Loaded, strict.Problems) {
	full, err := filepath.Abs(path)
	if err != nil {
		return nil, strict.Problems{{File: path, Text: "has no place: " + cause(err)}}
	}
	l := &Loaded{Path: full, Location: time.Local}
	c := &checker{folder: filepath.Dir(full), loaded: l, cfg: &l.Config}
	c.doc, c.problems = strict.Decode(path, src, c.cfg)
	for i, p := range c.problems {
		c.problems[i].Text = discreet(p)
	}
	c.files = newFiles(path, c.folder)
	l.Config.fill(c.doc.Has)
	c.site()
	c.store()
	c.web()
	c.drives()
	c.folders()
	c.brief(c.alerts())
	c.holdoff()
	c.heartbeat()
	c.log()
	if problems := append(c.problems.Sorted(), c.files.problems.Sorted()...); len(problems) > 0 {
		return nil, problems
	}
	return l, nil
}

// discreet is what is wrong without the value, where that could be an address
// with a token in it, or a password.
func discreet(p strict.Problem) string {
	before, rest, ok := strings.Cut(p.Text, " (")
	_, after, ok2 := strings.Cut(rest, "), wanted")
	if ok && ok2 && (strings.Contains(p.Field, "webhook") || strings.Contains(p.Field, "web.users")) {
		return before + ", wanted" + after
	}
	return p.Text
}

// most is the size of the largest file that is read: far above any map.
const most = 4 << 20

// read reads a regular file of bounded size.
func read(path string) ([]byte, error) {
	info, err := os.Stat(path) // before opening, since opening a pipe would wait for a writer
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, errors.New("it is not a file")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, err
	}
	if len(b) > most {
		return nil, fmt.Errorf("it is larger than %d MiB", most>>20)
	}
	return b, nil
}

// cause is what went wrong with a file, without the file's name.
func cause(err error) string {
	var p *fs.PathError
	if errors.As(err, &p) {
		err = p.Err
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "it doesn't exist"
	case errors.Is(err, fs.ErrPermission):
		return "its permissions don't allow it"
	}
	return err.Error()
}

// DataOf is the data folder that a config file names, whatever else is wrong
// with the file; "" where it can't be told.
func DataOf(path string) string {
	src, err := read(path)
	if err != nil {
		return ""
	}
	full, err := filepath.Abs(path)
	if err != nil {
		return ""
	}
	var c Config
	doc, _ := strict.Decode(path, src, &c)
	if c.Data == "" || !doc.Clean("data") {
		return ""
	}
	return newFiles(path, filepath.Dir(full)).path(c.Data)
}
