package config

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"faultkeep/configs/strict"
)

const (
	leastKept = strict.Duration(24 * time.Hour)
	leastSize = strict.Size(16 << 20)
)

// mostSize is how large all captures may become; 0: no limit.
var mostSize = mostSizeOf(strconv.IntSize)

// mostSizeOf leaves a program whose addresses have 32 bits room to map a whole
// store into its 2 to 3 GiB: the store's file grows beyond what it holds, and its
// map doubles up to 1 GiB.
func mostSizeOf(bits int) strict.Size {
	if bits == 32 {
		return 768 << 20
	}
	return 0
}

// store checks how long captures stay.
func (c *checker) store() {
	s := c.cfg.Store
	if c.doc.Has("store.keep_for") && !c.bad("store.keep_for") && s.KeepFor < leastKept {
		c.say("store.keep_for", "write at least 1d, or leave it out to drop none for its age", "%s is too short to look at captures before they are dropped", s.KeepFor)
	}
	if c.doc.Has("store.max_size") && !c.bad("store.max_size") && s.MaxSize < leastSize {
		c.say("store.max_size", "write at least "+leastSize.String()+", or leave it out for no limit", "%s is too small to keep captures in", s.MaxSize)
	}
	if mostSize > 0 && s.MaxSize > mostSize && !c.bad("store.max_size") {
		c.say("store.max_size", "write at most "+mostSize.String()+", or leave it out for that", "%s is more than this program, built for 32 bits, can hold", s.MaxSize)
	}
	low := s.LowDisk
	c.order("store.low_disk.drop", low.Drop, "store.low_disk.warn", low.Warn)
	c.order("store.low_disk.refuse", low.Refuse, "store.low_disk.drop", low.Drop)
}

// order checks that one limit isn't above the one that comes before it. It is
// told of the one that was written.
func (c *checker) order(path string, size strict.Size, than string, limit strict.Size) {
	if size <= limit || c.bad(path) || c.bad(than) {
		return
	}
	name := than[strings.LastIndexByte(than, '.')+1:]
	if c.doc.Has(path) {
		c.say(path, "each limit is at most the one before it", "%s is more than %s, which is %s", size, name, limit)
		return
	}
	own := path[strings.LastIndexByte(path, '.')+1:]
	c.say(than, "each limit is at most the one before it; write "+own+" too", "%s is less than %s, which is %s where left out", limit, own, size)
}

func (s Store) sentence() string {
	var parts []string
	if s.KeepFor > 0 {
		parts = append(parts, fmt.Sprintf("when they are older than %s", days(s.KeepFor)))
	}
	if s.MaxSize > 0 {
		parts = append(parts, fmt.Sprintf("when all come to more than %s", s.MaxSize))
	}
	kept := "Captures stay for ever"
	if len(parts) > 0 {
		kept = "Captures are dropped " + strings.Join(parts, ", or ")
	}
	if s.LowDisk == (LowDisk{}) {
		return kept + "; how full their disk is isn't looked at."
	}
	return fmt.Sprintf("%s; a disk with less than %s left is told, below %s old captures make room for new ones, below %s no new ones are kept.",
		kept, s.LowDisk.Warn, s.LowDisk.Drop, s.LowDisk.Refuse)
}

// days is a duration as people say it where it is whole days.
func days(d strict.Duration) string {
	if day := strict.Duration(24 * time.Hour); d%day == 0 {
		return count(int(d/day), "day")
	}
	return d.String()
}
