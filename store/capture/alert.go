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
	Text     string    `json:"text"` // one sentence a technician understands at 3 a.m.
}

// Message is one alert on its way to one sink. It stays in the outbox until
// that sink accepted it, or it was set aside as refused for good.
type Message struct {
	Seq       uint64    `json:"seq"`  // order within its sink
	Sink      string    `json:"sink"` // name in the config
	Alert     Alert     `json:"alert"`
	Tries     int       `json:"tries"`                // attempts that failed so far
	Next      time.Time `json:"next,omitzero"`        // not to be tried before; zero: at once
	LastError string    `json:"last_error,omitempty"` // why the last attempt failed
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
