package file

import (
	"os"
	"strconv"

	"faultkeep/configs/strict"
)

// Config of a file that alerts are appended to.
type Config struct {
	Path string      `yaml:"path"` // the file; its folder must exist, and is never made
	Size strict.Size `yaml:"size"` // largest size before it is put aside; 10 MiB where left out
	Keep int         `yaml:"keep"` // how many files put aside stay; 5 where left out
}

const (
	usualSize, leastSize, mostSize = 10 << 20, 64 << 10, 1 << 30 // bytes
	usualKeep, mostKeep            = 5, 100
)

func (c Config) size() int64 {
	if c.Size == 0 {
		return usualSize
	}
	return int64(c.Size)
}

func (c Config) keep() int {
	if c.Keep == 0 {
		return usualKeep
	}
	return c.Keep
}

// Check calls say for everything that is wrong: the key, what is wrong with
// it, and what to do. The folder needn't be there now: a share may be down.
func (c Config) Check(say func(key, text, hint string)) {
	if c.Path == "" {
		say("path", "is missing", "name the file that alerts are appended to, in a folder that exists")
	} else if info, err := os.Stat(c.Path); err == nil && !info.Mode().IsRegular() {
		say("path", "is not a file", "name a file in that folder, such as alerts.jsonl")
	}
	if c.Size != 0 && (c.Size < leastSize || c.Size > mostSize) {
		say("size", c.Size.String()+" is not between 64KiB and 1GiB", "leave it out for 10MiB")
	}
	if c.Keep < 0 || c.Keep > mostKeep {
		say("keep", strconv.Itoa(c.Keep)+" is not between 1 and "+strconv.Itoa(mostKeep), "leave it out for "+strconv.Itoa(usualKeep))
	}
}
