package capture

import "time"

// Kind says what an alert or a ledger entry is about.
type Kind string

// The kinds of alerts.
const (
	KindCapture Kind = "capture" // a recording was kept whole
	KindPartial Kind = "partial" // a recording was kept in part
	KindMiss    Kind = "miss"    // a fault was seen and no recording was kept
	KindBlind   Kind = "blind"   // a recorder isn't being watched
	KindDrift   Kind = "drift"   // a recorder's settings aren't the wanted ones
	KindRace    Kind = "race"    // a recording of this drive can't be kept in time
	KindClock   Kind = "clock"   // the PC's clock was set, or isn't synchronised
	KindDisk    Kind = "disk"    // the volume that holds the store is nearly full, or isn't any more
	KindDamage  Kind = "damage"  // the store was found damaged
)

// KindBrief is a brief. It goes to the sinks that the config names for briefs,
// past all rules, so it is none of Kinds.
const KindBrief Kind = "brief"

// Kinds in order, for checking a config.
var Kinds = []Kind{KindCapture, KindPartial, KindMiss, KindBlind, KindDrift, KindRace, KindClock, KindDisk, KindDamage}

// Alert is one thing somebody should hear of. It is committed together with
// what it tells of, and stays until its sinks accepted it.
type Alert struct {
	ID       string    `json:"id"` // the same over every retry, so that receivers can drop doubles
	Time     time.Time `json:"time"`
	Kind     Kind      `json:"kind"`
	Severity Severity  `json:"severity"`
	Site     string    `json:"site,omitempty"`
	Drive    string    `json:"drive,omitempty"`
	Title    string    `json:"title,omitempty"`
	Fault    Fault     `json:"fault"`
	Capture  ID        `json:"capture,omitempty"`
	Brief    string    `json:"brief,omitempty"` // ID of the stored brief that KindBrief is about
	Text     string    `json:"text"`            // one sentence a technician understands at 3 a.m.

	Finding  string    `json:"finding,omitempty"`  // of a capture: what moved first, where that was known in time
	Family   string    `json:"family,omitempty"`   // of a capture: its family's name, where that was known in time
	Seen     int       `json:"seen,omitempty"`     // of a capture: how many of its family there are, it included
	Since    time.Time `json:"since,omitzero"`     // with Seen: when the first of them tripped
	Count    int       `json:"count,omitempty"`    // how many alerts this one stands for; 0: itself
	First    time.Time `json:"first,omitzero"`     // with Count: time of the first of them; Time is that of the last
	Reminder int       `json:"reminder,omitempty"` // the how-manieth reminder of an alarm that nobody acknowledged
}

// Delivery says how one sink hears of an alert.
type Delivery struct {
	Sink   string
	Hold   time.Time     // not to be sent before; zero: at once
	Fold   string        // alerts with the same word here become one message for as long as it is held; "": each its own
	Every  time.Duration // with Fold: at most one message in this time
	Why    string        // why it is held, for the message: "quiet time until 16:00: gearbox exchange"
	Remind time.Duration // how often it is said again until somebody acknowledges it; 0: never
}

// To delivers to each of the sinks at once.
func To(sinks ...string) []Delivery {
	out := make([]Delivery, len(sinks))
	for i, sink := range sinks {
		out[i].Sink = sink
	}
	return out
}

// Message is one alert on its way to one sink. It stays in the outbox until
// that sink accepted it, or it was set aside as refused for good.
type Message struct {
	Seq       uint64    `json:"seq"`                  // order within its sink
	Sink      string    `json:"sink"`                 // name in the config
	Alert     Alert     `json:"alert"`                // of several, the last one, with the ID of the first
	Tries     int       `json:"tries"`                // attempts that failed so far
	Next      time.Time `json:"next,omitzero"`        // not to be tried before; zero: at once
	LastError string    `json:"last_error,omitempty"` // why the last attempt failed

	Hold   time.Time     `json:"hold,omitzero"`    // not to be sent before; others pass it
	Fold   string        `json:"fold,omitempty"`   // see Delivery
	Within time.Duration `json:"within,omitempty"` // Hold is never further away than this, whatever became of the clock; 0: it may be
	Why    string        `json:"why,omitempty"`    // see Delivery
	Sealed bool          `json:"sealed,omitempty"` // a sink may have seen it: nothing is added to it any more
	Kinds  map[Kind]int  `json:"kinds,omitempty"`  // of several: how many of which kind
	Lost   int           `json:"lost,omitempty"`   // of these, how many had messages of their own that a full outbox had no room for
}

// Total is how many alerts the message stands for.
func (m Message) Total() int {
	n := 0
	for _, k := range m.Kinds {
		n += k
	}
	return max(n, 1)
}

// Miss is a fault that was seen, with no recording kept.
type Miss struct {
	Time   time.Time `json:"time"`
	Drive  string    `json:"drive"`
	Title  string    `json:"title,omitempty"`
	Fault  Fault     `json:"fault"`
	Cause  Cause     `json:"cause"`
	Text   string    `json:"text"`             // one sentence with numbers
	Advice string    `json:"advice,omitempty"` // what would have prevented it
}

// Cause says why a recording could not be kept, or why a recorder wasn't watched.
type Cause string

// The causes.
const (
	CauseReset       Cause = "reset before it was read" // recording gone while or before it was pulled
	CauseNotReady    Cause = "reset before it was ready"
	CauseOverwritten Cause = "overwritten by the next recording"
	CauseNotArmed    Cause = "not armed"
	CauseNoTrigger   Cause = "the recorder did not trigger"
	CauseUnreachable Cause = "unreachable"
	CauseRefused     Cause = "refused by the drive" // permanent Modbus exceptions
	CauseNotRunning  Cause = "faultkeep was not running"
	CauseStoring     Cause = "the disk took no capture" // a recording waits on the drive, which isn't polled meanwhile
	CauseDrift       Cause = "settings not as wanted"
	CauseUnknown     Cause = "not known"
)

// Spell is a stretch of time in one watching condition.
type Spell struct {
	Drive string    `json:"drive"`
	From  time.Time `json:"from"`
	To    time.Time `json:"to,omitzero"` // zero: still going on
	Cause Cause     `json:"cause,omitempty"`
	Text  string    `json:"text,omitempty"`
}

// SinkBox is how far the messages to one sink have come. Numbers are of alerts.
type SinkBox struct {
	Sink      string    `json:"sink"`
	Accepted  int       `json:"accepted"`
	Waiting   int       `json:"waiting"`              // to be sent now
	Held      int       `json:"held"`                 // to be sent later, by a rule or a quiet time
	Refused   int       `json:"refused"`              // set aside, whether still listed or not
	Dropped   int       `json:"dropped"`              // given up unsent, since the outbox was full
	Oldest    time.Time `json:"oldest,omitzero"`      // time of the oldest alert that waits
	Tries     int       `json:"tries,omitempty"`      // attempts that failed at the first one that waits
	Next      time.Time `json:"next,omitzero"`        // when it is tried again
	LastError string    `json:"last_error,omitempty"` // why it wasn't taken
	Aside     []Message `json:"set_aside,omitempty"`  // refused for good
}
