package config

import (
	"fmt"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"faultkeep/sources/faultcode"
	"faultkeep/sources/folder"
)

// Folder is one watched folder with what its config names.
type Folder struct {
	Config folder.Config // Path and MoveTo absolute
	Faults faultcode.Tables
	Zone   *time.Location
}

// Titles are what people call the drives.
func (l *Loaded) Titles() map[string]string {
	titles := map[string]string{}
	for _, d := range l.Drives {
		titles[d.Config.Name] = d.Config.Title
	}
	return titles
}

func (c *checker) folders() {
	list := c.cfg.Folders
	seen := map[string]string{} // paths
	for i := range list {
		f := &list[i]
		at := fmt.Sprintf("folders[%d]", i)
		c.folderName(at+".name", i)
		if !plain(f.Title) {
			c.say(at+".title", "write a name on one line", "holds a line end or another control character")
		}
		c.folderPath(at, f, seen)
		c.folderWords(at, f)
		out := Folder{Zone: c.loaded.Location}
		if f.Zone != "" && !c.bad(at+".zone") {
			loc, err := time.LoadLocation(f.Zone)
			if err != nil {
				c.say(at+".zone", "write it as in Europe/Oslo, or leave it out for the plant's", "there is no time zone %q", f.Zone)
			} else {
				out.Zone = loc
			}
		}
		if _, _, err := f.Baseline(out.Zone); err != nil && !c.bad(at+".from") {
			c.say(at+".from", "write now, all, or a date such as 2026-11-25", "%q is neither now, all nor a date", f.From)
		}
		for j, name := range f.Faults {
			table, text, hint := c.files.tableFile(name)
			if text != "" {
				c.say(fmt.Sprintf("%s.faults[%d]", at, j), hint, "%s", text)
			} else if table != nil {
				out.Faults = append(out.Faults, table)
			}
		}
		out.Config = *f
		c.loaded.Folders = append(c.loaded.Folders, out)
	}
}

// folderName checks that a folder has a name that nothing else has: blind
// spells are told under it.
func (c *checker) folderName(at string, i int) {
	f := c.cfg.Folders[i]
	if c.bad(at) || !c.named(at, f.Name, "give a short one, such as exports") {
		return
	}
	for j, other := range c.cfg.Folders[:i] {
		if other.Name == f.Name {
			c.say(at, "give each folder a name of its own", "%q is the name of folder %d already", f.Name, j+1)
			return
		}
	}
	for j, d := range c.cfg.Drives {
		if d.Name == f.Name {
			c.say(at, "give the folder another name; drive: says whose files it holds", "%q is the name of the drive %s already", f.Name, c.where(j))
			return
		}
	}
}

func (c *checker) folderPath(at string, f *folder.Config, seen map[string]string) {
	if c.bad(at + ".path") {
		return
	}
	if f.Path == "" {
		c.missing(at+".path", "name the folder into which recordings are exported")
		return
	}
	given := f.Path
	f.Path = c.files.path(given)
	switch data := c.cfg.Data; {
	case seen[f.Path] != "":
		c.say(at+".path", "watch each folder once", "%s is watched as %q already", c.files.display(given), seen[f.Path])
	case data != "" && (within(data, f.Path) || within(f.Path, data)):
		c.say(at+".path", "keep data and exports in folders of their own", "%s and the data folder %s lie in one another", c.files.display(given), data)
	}
	seen[f.Path] = f.Name
	switch {
	case c.bad(at + ".move_to"):
	case f.After == folder.Move && f.MoveTo == "":
		c.missing(at+".move_to", "name the folder that kept files are moved to")
	case f.After != folder.Move && f.MoveTo != "":
		c.say(at+".move_to", "add after: move, or leave it out", "says where files are moved to, which after: doesn't ask for")
	case f.MoveTo != "":
		f.MoveTo = c.files.path(f.MoveTo)
		if f.MoveTo == f.Path || within(f.Path, f.MoveTo) {
			c.say(at+".move_to", "name another folder", "%s is the watched folder itself, or holds it", f.MoveTo)
		}
	}
}

// within tells whether a path is another one or lies below it.
func within(p, above string) bool {
	rel, err := filepath.Rel(above, p)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}

func (c *checker) folderWords(at string, f *folder.Config) {
	for j, p := range f.Files {
		if _, err := path.Match(p, ""); err != nil || p == "" {
			c.say(fmt.Sprintf("%s.files[%d]", at, j), "write a name, or a pattern such as *.csv", "%q is not a pattern", p)
		}
	}
	c.oneOf(at+".format", f.Format, FormatNames())
	c.oneOf(at+".after", f.After, folder.Afters)
	for _, p := range f.Dialect.Check() {
		c.say(at+".dialect."+p.Key, p.Hint, "%s", p.Text)
	}
	for key, text := range map[string]string{".drive": f.Drive, ".fault": f.Fault} {
		if !plain(text) || len(text) > longestName {
			c.say(at+key, "write it short and on one line", "holds a control character or more than %d letters", longestName)
		}
	}
	for key, from := range map[string]*folder.From{"drive": f.DriveFrom, "fault": f.FaultFrom} {
		if from == nil || c.bad(at+"."+key+"_from") {
			continue
		}
		if sub, err := from.Check(key); err != nil {
			where := at + "." + key + "_from"
			if sub != "" {
				where += "." + sub
			}
			c.say(where, fmt.Sprintf("write it as in file: '(?P<%s>[^/_]+)_' or field: station", key), "%v", err)
		}
	}
	c.between(at+".scan", f.Scan, time.Second, time.Hour)
	c.between(at+".settle", f.Settle, 100*time.Millisecond, 10*time.Minute)
	c.between(at+".give_up", f.GiveUp, time.Second, 7*24*time.Hour)
}

// anyDrive tells whether files may be of drives that the config doesn't name.
func (c *checker) anyDrive() bool {
	return slices.ContainsFunc(c.cfg.Folders, func(f folder.Config) bool { return f.DriveFrom != nil })
}

// sentence says what is done with a folder.
func (f Folder) sentence() string {
	c := f.Config
	name := c.Name
	if c.Title != "" && c.Title != c.Name {
		name += " (" + c.Title + ")"
	}
	scan := c.Scan
	or(&scan, folderScan)
	s := fmt.Sprintf("%s in %s, looked through every %s", name, c.Path, scan)
	whose := c.Drive
	or(&whose, c.Name)
	switch {
	case c.DriveFrom != nil:
		s += fmt.Sprintf("; the files say whose they are, else they count as %s", whose)
	default:
		s += "; its files count as " + whose
	}
	switch c.After {
	case folder.Move:
		s += "; once kept they are moved to " + c.MoveTo
	case folder.Delete:
		s += "; once kept they are deleted"
	default:
		s += "; they stay where they are"
	}
	switch c.From {
	case "", folder.FromNow:
		s += ". What is there at the first start is passed over."
	case folder.FromAll:
		s += ". What is there at the first start is kept too."
	default:
		s += ". What is there at the first start is kept if it was written since " + c.From + "."
	}
	return s
}
