package config

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"

	"faultkeep/configs/strict"
)

// checker collects everything that is wrong.
type checker struct {
	folder   string // that relative paths begin from
	doc      *strict.Doc
	cfg      *Config
	loaded   *Loaded
	files    *files
	problems strict.Problems
}

func (c *checker) say(path, hint, text string, args ...any) {
	c.problems = append(c.problems, c.doc.Problem(path, fmt.Sprintf(text, args...), hint))
}

// bad tells whether the value at path couldn't be read in the first place, so
// that what stands in its stead isn't judged.
func (c *checker) bad(path string) bool { return !c.doc.Clean(path) }

// missing reports a key that must be there.
func (c *checker) missing(path, hint string) {
	if !c.misspelt(path) {
		c.say(path, hint, "is missing")
	}
}

// misspelt tells whether a key is missing only because another word stands
// for it, which was reported already.
func (c *checker) misspelt(path string) bool {
	at := strings.LastIndexByte(path, '.') + 1
	return slices.ContainsFunc(c.problems, func(p strict.Problem) bool {
		return p.Field[:strings.LastIndexByte(p.Field, '.')+1] == path[:at] && strings.HasPrefix(p.Hint, "did you mean "+path[at:]+"?")
	})
}

// meant is a hint for a word that isn't one of the known ones.
func meant(word string, known []string) string {
	switch near := strict.Nearest(word, known); {
	case len(known) > 0 && len(known) <= 12:
		return strict.Choice(word, known)
	case near != "":
		return fmt.Sprintf("did you mean %s?", near)
	}
	return ""
}

func (c *checker) site() {
	if !plain(c.cfg.Site) {
		c.say("site", "write a name on one line", "holds a line end or another control character")
	}
	if c.cfg.Site == "" {
		if host, err := os.Hostname(); err == nil {
			c.cfg.Site = host
		}
	}
	if c.cfg.Timezone != "" {
		loc, err := time.LoadLocation(c.cfg.Timezone)
		if err != nil {
			c.say("timezone", "write it as in Europe/Oslo, or leave it out for this computer's", "there is no time zone %q", c.cfg.Timezone)
		} else {
			c.loaded.Location = loc
		}
	}
	if !c.bad("poll") {
		c.poll("poll", c.cfg.Poll)
	}
	c.data()
}

// data checks the folder without touching it.
func (c *checker) data() {
	if c.bad("data") {
		return
	}
	if c.cfg.Data == "" {
		c.missing("data", "name the folder that shall hold all captures")
		return
	}
	c.cfg.Data = c.files.path(c.cfg.Data)
	folder := c.cfg.Data
	info, err := os.Stat(folder)
	switch {
	case err == nil && !info.IsDir():
		c.say("data", "name a folder", "%s is a file", folder)
		return
	case err == nil:
		if !writable(folder) {
			c.say("data", "let the account that faultkeep runs as write there", "%s can't be written to", folder)
		}
		return
	}
	parent := filepath.Dir(folder)
	above, missing := os.Stat(parent)
	switch {
	case missing != nil:
		c.say("data", "create it; faultkeep makes only the last folder itself", "the folder %s can't be reached: %s", parent, cause(missing))
	case !above.IsDir():
		c.say("data", "name a folder inside a folder", "%s is a file", parent)
	case !os.IsNotExist(err):
		c.say("data", "", "%s can't be reached: %s", folder, cause(err))
	case !writable(parent):
		c.say("data", "create "+folder+" for the account that faultkeep runs as", "%s doesn't exist and can't be made, since %s can't be written to", folder, parent)
	}
}

func (c *checker) log() {
	c.oneOf("log.level", c.cfg.Log.Level, []string{"debug", "info", "warn", "error"})
	c.oneOf("log.format", c.cfg.Log.Format, []string{"text", "json"})
	c.logFile()
}

// logFile checks the log's file and what is said of it.
func (c *checker) logFile() {
	l := &c.cfg.Log
	for _, key := range []string{"log.size", "log.keep"} {
		if l.File == "" && c.doc.Has(key) && c.doc.Clean("log.file") {
			c.say(key, "add log.file, or take it out", "is given without a file")
		}
	}
	if size := l.Size; c.doc.Has("log.size") && !c.bad("log.size") && (size < 64<<10 || size > 1<<30) {
		c.say("log.size", "leave it out for 10MiB", "%s is not between 64KiB and 1GiB", size)
	}
	if c.doc.Has("log.keep") && !c.bad("log.keep") && (l.Keep < 1 || l.Keep > 100) {
		c.say("log.keep", "leave it out for 5", "%d is not between 1 and 100", l.Keep)
	}
	if l.File == "" || c.bad("log.file") {
		return
	}
	c.beside(&l.File)
	parent := filepath.Dir(l.File)
	info, err := os.Stat(l.File)
	above, missing := os.Stat(parent)
	switch {
	case err == nil && !info.Mode().IsRegular():
		c.say("log.file", "name a file in that folder, such as faultkeep.log", "%s is not a file", l.File)
	case parent == c.cfg.Data: // which is made when faultkeep starts
	case missing != nil:
		c.say("log.file", "create it, or name a file in the data folder", "the folder %s can't be reached: %s", parent, cause(missing))
	case !above.IsDir():
		c.say("log.file", "name a file inside a folder", "%s is a file", parent)
	}
	for i, s := range c.cfg.Alerts.Sinks {
		if s.File != nil && s.File.Path == l.File {
			c.say("log.file", "give each a file of its own", "is the file of the sink %q too", c.cfg.Alerts.Sinks[i].Name)
		}
	}
}

func (c *checker) oneOf(path, word string, known []string) {
	if word != "" && !c.bad(path) && !slices.Contains(known, word) {
		c.say(path, meant(word, known), "%q is not known", word)
	}
}

const (
	shortestPoll = strict.Duration(20 * time.Millisecond)
	longestPoll  = strict.Duration(time.Minute)
)

func (c *checker) poll(path string, d strict.Duration) {
	if !c.doc.Has(path) {
		return
	}
	switch {
	case d < shortestPoll:
		c.say(path, "poll no faster than every "+shortestPoll.String(), "%s is too short for a drive to keep up with", d)
	case d > longestPoll:
		c.say(path, "poll at least every "+longestPoll.String(), "%s is too long to catch a recording", d)
	}
}

// plain tells whether a name can be shown on one line.
func plain(s string) bool { return !strings.ContainsFunc(s, unicode.IsControl) }

// isPort tells whether s is a port number of at least low.
func isPort(s string, low int) bool {
	n := 0
	for _, r := range s {
		if r < '0' || r > '9' {
			return false
		}
		if n = 10*n + int(r-'0'); n > 65535 {
			return false
		}
	}
	return s != "" && n >= low
}
