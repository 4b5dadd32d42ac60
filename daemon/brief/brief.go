// Package brief is the morning summary: what tripped, what was missed and why,
// when nobody was watching, and what needs a look now. It gathers from what was
// kept and watched, and puts that into words, a page and JSON, all with the
// same sentences. When a brief is due is computed here, too; sending one, and
// every other effect, is left to whoever asks.
package brief

import (
	"time"

	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// Brief is what happened in a period. Times are in the site's zone.
type Brief struct {
	Site     string    `json:"site,omitempty"`
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	Zone     string    `json:"zone"`
	Headline string    `json:"headline"` // makes sense by itself
	Quiet    bool      `json:"quiet"`    // nothing tripped, and somebody was watching

	Kept    int      `json:"kept"` // trips with a whole recording
	Partial int      `json:"partial"`
	Missed  int      `json:"missed"`
	Watched *float64 `json:"watched"` // share of the time over all drives, 0 to 1; nil: nothing is known

	Trips   []Group  `json:"trips"`   // by drive and fault, in the order of their first trips
	Drives  []Drive  `json:"drives"`  // how well each was watched
	Now     []Item   `json:"now"`     // drives not watched at this moment
	Races   []Item   `json:"races"`   // drives of which a recording can be lost before it is kept
	Repairs []Repair `json:"repairs"` // under proof
	Events  []Item   `json:"events"`  // settings, clock, disk, store
	Alerts  []Item   `json:"alerts"`  // not taken by their sinks
	Store   Store    `json:"store"`
	Unknown string   `json:"unknown,omitempty"` // what can't be told, and why
}

// Group is the trips of one drive with one fault.
type Group struct {
	Drive   string    `json:"drive"`
	Title   string    `json:"title"` // as people call the drive
	Fault   string    `json:"fault"` // in words with its code
	Kept    int       `json:"kept"`
	Partial int       `json:"partial"`
	Missed  int       `json:"missed"`
	First   time.Time `json:"first"`
	Last    time.Time `json:"last"`
	Text    string    `json:"text,omitempty"` // of several trips together
	Trips   []Trip    `json:"trips"`          // the first ones, told one by one

	order []happened // all of them, ascending
}

func (g Group) count() int { return g.Kept + g.Partial + g.Missed }

// Trip is one trip, kept or missed.
type Trip struct {
	Time    time.Time  `json:"time"`
	Capture capture.ID `json:"capture,omitempty"` // "": missed
	Status  string     `json:"status"`            // "kept whole", "kept in part, −0.8…+0.3 s", "missed: not armed"
	First   string     `json:"first,omitempty"`   // what moved first, or else what there is to tell
	Often   string     `json:"often,omitempty"`   // how often before, and what it looks like
	Why     string     `json:"why,omitempty"`     // it isn't whole, or missed; and what would have prevented that
	Trace   capture.ID `json:"trace,omitempty"`   // the coarse values that are left of a miss

	picture []byte // SVG; nil: none
}

// Drive is how well one drive was watched.
type Drive struct {
	Drive   string   `json:"drive"`
	Title   string   `json:"title"`
	Watched *float64 `json:"watched"`
	Blind   bool     `json:"blind"` // there were times when a trip could have gone unseen
	Text    string   `json:"text"`  // "watched 99.2 %; blind 03:02–03:11, unreachable"
}

// Item is one thing to know.
type Item struct {
	Drive string `json:"drive,omitempty"`
	Title string `json:"title,omitempty"` // of the drive, or what else it is about
	Text  string `json:"text"`            // sentences
}

// Repair is a repair, and what the trips since then say of it.
type Repair struct {
	Drive string    `json:"drive"`
	Title string    `json:"title"`
	At    time.Time `json:"at"`
	Fault string    `json:"fault,omitempty"`
	Note  string    `json:"note"`
	Text  []string  `json:"text"`
}

// Store is the store with a sentence about it.
type Store struct {
	wire.StoreStands
	Text string `json:"text"`
}

// Options say of what a brief tells.
type Options struct {
	From, To time.Time
	Zone     *time.Location    // nil: UTC
	Site     string            // "": as faultkeep itself says while it runs
	Titles   map[string]string // of drives, as far as they are known; nil: none are
}

const (
	oneByOne = 3  // trips of a group that are told one by one
	detailed = 24 // of all groups
	pictured = 12 // of all groups
	events   = 12

	pictureWidth, pictureHeight = 360, 72 // pixels

	// proofDays is for how long after it a repair is told of. Common practice, no source.
	proofDays = 90
)
