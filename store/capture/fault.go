package capture

import "fmt"

// Fault is what a drive reported when it tripped.
type Fault struct {
	Code     uint32   `json:"code"`            // 0: none known
	Shown    string   `json:"shown,omitempty"` // the code as the trade writes it: "2311", "F07"
	Name     string   `json:"name,omitempty"`  // meaning by a fault table; empty for an unknown code
	Class    Class    `json:"class,omitempty"`
	Severity Severity `json:"severity,omitempty"`
	Table    string   `json:"table,omitempty"` // the fault table that knew it
}

// String is the fault in words, the code in brackets after them.
func (f Fault) String() string {
	switch {
	case f.Code == 0 && f.Name == "" && f.Shown == "":
		return "Fault without a code"
	case f.Name == "":
		return fmt.Sprintf("Unknown fault (%s)", f.ShownCode())
	case f.Shown == "" && f.Code == 0:
		return f.Name
	}
	return fmt.Sprintf("%s (%s)", f.Name, f.ShownCode())
}

// ShownCode is the code as the drive shows it, or its number.
func (f Fault) ShownCode() string {
	if f.Shown != "" {
		return f.Shown
	}
	return fmt.Sprintf("%d", f.Code)
}

// Class groups faults by what they concern, after the first digit of the
// error codes of IEC 61800-7-201.
type Class string

// The classes of IEC 61800-7-201 error codes, and one for codes outside them.
const (
	ClassGeneric     Class = "generic"     // 1xxx
	ClassCurrent     Class = "current"     // 2xxx
	ClassVoltage     Class = "voltage"     // 3xxx
	ClassTemperature Class = "temperature" // 4xxx
	ClassHardware    Class = "hardware"    // 5xxx
	ClassSoftware    Class = "software"    // 6xxx
	ClassModules     Class = "modules"     // 7xxx
	ClassMonitoring  Class = "monitoring"  // 8xxx
	ClassExternal    Class = "external"    // 9xxx
	ClassSpecific    Class = "specific"    // Fxxx and user tables
	ClassUnknown     Class = "unknown"
)

// Classes in order, for checking a config or a fault table.
var Classes = []Class{ClassGeneric, ClassCurrent, ClassVoltage, ClassTemperature, ClassHardware, ClassSoftware,
	ClassModules, ClassMonitoring, ClassExternal, ClassSpecific, ClassUnknown}

// Severity says how much an alert matters.
type Severity string

// Severities from least to most.
const (
	Info    Severity = "info"
	Warning Severity = "warning"
	Alarm   Severity = "alarm"
)

// Severities from least to most, for checking a config.
var Severities = []Severity{Info, Warning, Alarm}

// Rank orders severities; an unknown one counts as Alarm, so that it is told.
func (s Severity) Rank() int {
	for i, known := range Severities {
		if s == known {
			return i
		}
	}
	return len(Severities) - 1
}

// RecorderState is what the drive's recorder is doing.
type RecorderState string

// The recorder states.
const (
	Idle      RecorderState = "idle"
	Armed     RecorderState = "armed"
	Recording RecorderState = "recording"
	Ready     RecorderState = "ready"
	Unknown   RecorderState = "unknown"
)

// RecorderStates in order, for checking a map.
var RecorderStates = []RecorderState{Idle, Armed, Recording, Ready, Unknown}
