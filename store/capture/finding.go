package capture

// FindingKind says what a finding is about.
type FindingKind string

// The kinds of findings, in the order in which pages show them.
const (
	FindingFirstMover FindingKind = "first mover" // the channel that deviated first, or that none can be named
	FindingCause      FindingKind = "cause"       // a candidate cause, ranked; or that none stands out
	FindingOnset      FindingKind = "onset"       // when another channel deviated
	FindingLimit      FindingKind = "limit"       // clipping, saturation
	FindingEdge       FindingKind = "edge"        // a bit of a digital channel changed
	FindingExtreme    FindingKind = "extreme"     // value at the trigger, lowest and highest
	FindingStep       FindingKind = "step"        // response to a setpoint step
	FindingRamp       FindingKind = "ramp"        // following of a setpoint ramp
	FindingLoop       FindingKind = "loop"        // the loop's behaviour in plain words
	FindingVibration  FindingKind = "vibration"   // a peak in a spectrum
	FindingGrowth     FindingKind = "growth"      // an oscillation that grows, stays or decays
	FindingAlike      FindingKind = "alike"       // what other captures look like this one
	FindingUnable     FindingKind = "unable"      // what could not be computed, and why
)

// FindingKinds in their order.
var FindingKinds = []FindingKind{FindingFirstMover, FindingCause, FindingOnset, FindingLimit, FindingEdge,
	FindingExtreme, FindingStep, FindingRamp, FindingLoop, FindingVibration, FindingGrowth, FindingAlike, FindingUnable}

// Finding is one statement that was computed from a capture: evidence or a
// candidate, never a diagnosis.
type Finding struct {
	Kind     FindingKind `json:"kind"`
	Text     string      `json:"text"`               // one sentence, with its numbers, units and uncertainty
	Name     string      `json:"name,omitempty"`     // what it says in a word that programs can rely on: a cause's, a verdict's
	Channels []string    `json:"channels,omitempty"` // the channels concerned, by name
	From     float64     `json:"from_s"`             // the time range concerned, in seconds from the trigger
	To       float64     `json:"to_s"`
	Values   []Quantity  `json:"values,omitempty"`
	Rank     int         `json:"rank,omitempty"`    // among findings of its kind, from 1; 0: not ranked
	For      []string    `json:"for,omitempty"`     // evidence for it, a sentence each
	Against  []string    `json:"against,omitempty"` // evidence against it
	Basis    string      `json:"basis,omitempty"`   // the method, and what it rests on
}

// Quantity is one number of a finding. Numbers are finite; one that can't be
// had is left out.
type Quantity struct {
	Name      string  `json:"name"` // "onset", "overshoot"
	Value     float64 `json:"value"`
	Unit      string  `json:"unit,omitempty"`
	PlusMinus float64 `json:"plus_minus,omitempty"` // resolution or half width of the bounds; 0: not known
}
