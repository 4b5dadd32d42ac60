package config

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// Brief says when the brief is made by itself, and who gets it.
type Brief struct {
	At     string   `yaml:"at"`     // time of day in the config's zone, such as 06:00
	Folder string   `yaml:"folder"` // for its files; absolute after Load; none are written where left out
	To     []string `yaml:"to"`     // names of sinks; nobody where left out
}

// brief checks when it is made and where it goes. sinks are the names there are.
func (c *checker) brief(sinks []string) {
	b := c.cfg.Brief
	if b == nil {
		return
	}
	switch _, err := time.Parse("15:04", b.At); {
	case c.bad("brief.at"):
	case b.At == "":
		c.missing("brief.at", "say when, as in 06:00; or leave brief out")
	case err != nil:
		c.say("brief.at", "write it as in 06:00", "%q is not a time of day", b.At)
	}
	for i, name := range b.To {
		if !slices.Contains(sinks, name) {
			c.say(fmt.Sprintf("brief.to[%d]", i), meant(name, sinks), "there is no sink %q", name)
		}
	}
	if b.Folder == "" || c.bad("brief.folder") {
		return
	}
	c.beside(&b.Folder)
	switch info, err := os.Stat(b.Folder); {
	case err == nil && !info.IsDir():
		c.say("brief.folder", "name a folder", "%s is a file", b.Folder)
	case err == nil && !writable(b.Folder):
		c.say("brief.folder", "let the account that faultkeep runs as write there", "%s can't be written to", b.Folder)
	case err != nil:
		if above, err := os.Stat(filepath.Dir(b.Folder)); err != nil || !above.IsDir() {
			c.say("brief.folder", "create it; faultkeep makes only the last folder itself", "the folder %s can't be reached", filepath.Dir(b.Folder))
		}
	}
}

func (b *Brief) sentence() string {
	text := "The brief is made every day at " + b.At
	if len(b.To) > 0 {
		text += " and goes to " + strings.Join(b.To, ", ")
	}
	if b.Folder != "" {
		text += "; its files are written into " + b.Folder
	}
	return text + "."
}
