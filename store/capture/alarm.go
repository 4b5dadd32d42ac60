package capture

import "time"

// OpenAlarm is a condition of which people were told: that drive, that kind of
// trouble, that fault code. It stays until it has gone and somebody has
// acknowledged it, in the states of ANSI/ISA-18.2 and IEC 62682 (their names
// from memory).
type OpenAlarm struct {
	Key      string               `json:"key"`                   // names it in commands
	Alert    Alert                `json:"alert"`                 // the last one about it
	Since    time.Time            `json:"since"`                 // when it first came
	Count    int                  `json:"count"`                 // how often it came since then
	Cleared  time.Time            `json:"cleared,omitzero"`      // when the condition had gone; zero: it is there
	Acked    time.Time            `json:"acknowledged,omitzero"` // when somebody acknowledged it; zero: nobody has
	AckedBy  string               `json:"acknowledged_by,omitempty"`
	Told     map[string]time.Time `json:"told,omitempty"`     // when each sink that reminds was told last
	Reminded int                  `json:"reminded,omitempty"` // reminders so far
}

// AlarmState is what people have to do about an alarm.
type AlarmState string

// The states.
const (
	Unacknowledged   AlarmState = "unacknowledged"
	Acknowledged     AlarmState = "acknowledged"
	ReturnedToNormal AlarmState = "returned to normal, unacknowledged"
	Normal           AlarmState = "normal"
)

// State is the state that the alarm is in.
func (a OpenAlarm) State() AlarmState {
	switch {
	case a.Acked.IsZero() && a.Cleared.IsZero():
		return Unacknowledged
	case a.Acked.IsZero():
		return ReturnedToNormal
	case a.Cleared.IsZero():
		return Acknowledged
	}
	return Normal
}

// Condition is the kind of trouble that an alert is about, so that what comes
// again can be told from what is new: whether the recording of a trip was kept
// makes it no other trouble.
func (a Alert) Condition() string {
	kind := string(a.Kind)
	switch a.Kind {
	case KindCapture, KindPartial, KindMiss:
		kind = "trip"
	}
	word := kind
	if a.Drive != "" {
		word += "/" + a.Drive
	}
	if kind == "trip" && a.Fault != (Fault{}) {
		word += "/" + a.Fault.ShownCode()
	}
	return word
}

// Quiet is a planned time, such as for maintenance, in which alerts about
// drives wait; at its end one message for each sink tells what there was.
type Quiet struct {
	ID     string    `json:"id"`
	Drives []string  `json:"drives,omitempty"` // by name; none: all
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Note   string    `json:"note,omitempty"` // why
	By     string    `json:"by,omitempty"`
}
