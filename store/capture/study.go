package capture

import "time"

// Study is what was computed from one capture. It can always be computed again
// from the original bytes.
type Study struct {
	Version  int       `json:"version"` // of the analyses that made it
	At       time.Time `json:"at"`      // when, UTC
	Findings []Finding `json:"findings"`
}

// Headline is the finding to tell where there is room for one only: what moved
// first, or else the first that says something; "" where nothing was found.
func (s Study) Headline() string {
	for _, kind := range FindingKinds {
		for _, f := range s.Findings {
			if f.Kind == kind && kind != FindingUnable && kind != FindingExtreme {
				return f.Text
			}
		}
	}
	return ""
}

// Repair is something that was done to a drive or its machine, so that it can
// be told whether it stopped the trips.
type Repair struct {
	Drive string    `json:"drive"`           // its name in the config
	At    time.Time `json:"at"`              // when it was done, UTC
	Note  string    `json:"note"`            // what was done
	Fault string    `json:"fault,omitempty"` // the fault code, as shown, that it was against; "": any
	Added time.Time `json:"added"`           // when it was noted, UTC
}

// Note is something that somebody wrote about a capture.
type Note struct {
	At   time.Time `json:"at"`           // when, UTC
	By   string    `json:"by,omitempty"` // who; "": not known
	Text string    `json:"text"`
}

// Remarks are what people wrote about a capture.
type Remarks struct {
	Tags  []string `json:"tags,omitempty"` // short words to find it by, sorted, each once
	Notes []Note   `json:"notes,omitempty"`
}
