// Package folder watches folders into which other tools export recordings: it
// waits until a file is finished, reads it by one of the decoders that it is
// given, hands it to the Keeper, and only then lets go of the file, where that
// is wanted.
package folder

import (
	"time"

	"faultkeep/configs/strict"
	"faultkeep/store/format/delimited"
)

// Config is one folder of the config file.
type Config struct {
	Name       string            `yaml:"name"`       // unique among folders and drives; blind spells are told of it
	Title      string            `yaml:"title"`      // as people call it
	Path       string            `yaml:"path"`       // of the folder
	Files      []string          `yaml:"files"`      // patterns of names or of paths below the folder; all files where left out
	Subfolders *bool             `yaml:"subfolders"` // true where left out
	Format     string            `yaml:"format"`     // a decoder's name, or auto
	Dialect    delimited.Dialect `yaml:"dialect"`    // how text files are laid out, as far as they don't tell
	Drive      string            `yaml:"drive"`      // whose files these are, where they don't say themselves
	DriveFrom  *From             `yaml:"drive_from"` // how they do
	Fault      string            `yaml:"fault"`      // fault code as the drive shows it, where the files don't say
	FaultFrom  *From             `yaml:"fault_from"` // how they do
	Faults     []string          `yaml:"faults"`     // fault tables, looked up in order; builtin:NAME or file
	Zone       string            `yaml:"zone"`       // of time stamps that name none; the site's where left out
	From       string            `yaml:"from"`       // of what is there at the first look: now (none of it), all, or what was written since a date
	After      string            `yaml:"after"`      // what is done with files that are kept: leave, move or delete
	MoveTo     string            `yaml:"move_to"`    // folder for those moved
	Scan       strict.Duration   `yaml:"scan"`       // time between two looks through the whole folder
	Settle     strict.Duration   `yaml:"settle"`     // how long a file must stay unchanged to be taken for finished
	GiveUp     strict.Duration   `yaml:"give_up"`    // how long one that can't be read must stay unchanged to be kept unread
}

// From says where in a file something stands.
type From struct {
	File  string `yaml:"file"`  // regular expression on the path below the folder, with a named group
	Field string `yaml:"field"` // name of a field in the file's header
	Match string `yaml:"match"` // regular expression on the field's value, with a named group; all of it where left out
}

// What is done with files that are kept.
const (
	Leave  = "leave"
	Move   = "move"
	Delete = "delete"
)

// Afters are the words that After knows.
var Afters = []string{Leave, Move, Delete}

// Words of other settings.
const (
	FromNow = "now"
	FromAll = "all"
	Auto    = "auto"
)

// Defaults of a folder's config.
const (
	DefaultScan   = 30 * time.Second
	DefaultSettle = 5 * time.Second
	DefaultGiveUp = 10 * time.Minute
)

// Bounds of what is read.
const (
	mostBytes   = 256 << 20 // of one set of files
	mostArchive = 256 << 20 // of all that one archive holds
	mostMembers = 10_000    // of one archive
	mostRecords = 10_000    // of one set of files
	mostWords   = 200       // fields and warnings of one recording
	mostRepeats = 64 << 20  // bytes of file parts that several recordings of one set may hold in all
)

func (c Config) subfolders() bool { return c.Subfolders == nil || *c.Subfolders }

func (c Config) scan() time.Duration   { return or(c.Scan, DefaultScan) }
func (c Config) settle() time.Duration { return or(c.Settle, DefaultSettle) }
func (c Config) giveUp() time.Duration { return or(c.GiveUp, DefaultGiveUp) }

func or(d strict.Duration, otherwise time.Duration) time.Duration {
	if d > 0 {
		return d.Std()
	}
	return otherwise
}

// Baseline tells which of the files that are there at the first look are passed
// over: those last written before the time; all where it is zero.
// none is true where none is passed over.
func (c Config) Baseline(zone *time.Location) (before time.Time, none bool, err error) {
	switch c.From {
	case "", FromNow:
		return time.Time{}, false, nil
	case FromAll:
		return time.Time{}, true, nil
	}
	for _, layout := range []string{time.DateOnly, "2006-01-02 15:04", "2006-01-02T15:04", time.RFC3339} {
		if before, err = time.ParseInLocation(layout, c.From, zone); err == nil {
			return before, false, nil
		}
	}
	return time.Time{}, false, err
}
