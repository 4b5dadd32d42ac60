package alert

import (
	"cmp"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/store/capture"
)

// Rule says which alerts go to which sinks, and when. Every list that is empty
// lets all through; what is given must all hold.
type Rule struct {
	Drives   []string         `yaml:"drives"`   // names, or patterns such as belt-*
	Classes  []capture.Class  `yaml:"classes"`  // fault classes
	Codes    []string         `yaml:"codes"`    // fault codes as shown, patterns such as 23*, or raw numbers written 0x2311
	Families []string         `yaml:"families"` // of captures that look alike: names, or patterns. Known a moment after a capture was kept
	Kinds    []capture.Kind   `yaml:"kinds"`    // where empty: all but blind
	Severity capture.Severity `yaml:"severity"` // at least
	To       []string         `yaml:"to"`       // names of sinks; where empty: every sink

	Hours   []string         `yaml:"hours"`   // as ParseHours reads them; where empty: always
	Outside string           `yaml:"outside"` // what becomes of alerts outside the hours: Skip, as where left out, or Wait
	Repeat  *strict.Duration `yaml:"repeat"`  // at most one message in this time about one drive and fault; left out: as usual for the sink
	Remind  strict.Duration  `yaml:"remind"`  // how often it is said again until somebody acknowledges it; 0: never
}

// What becomes of alerts outside a rule's hours.
const (
	Skip = "skip" // the rule doesn't fit
	Wait = "wait" // they wait for the hours to begin
)

// Rules decide which sinks hear of an alert.
type Rules struct {
	Sinks  []string                 // every sink, in order
	List   []Rule                   // empty: every sink hears of everything but blind spells
	Repeat map[string]time.Duration // of sinks that write to people: at most one message in this time, where no rule says otherwise
	Zone   *time.Location           // of the hours; nil: UTC
	Now    func() time.Time         // nil: time.Now
}

// Route says which sinks shall hear of the alert and how, each once, in the
// order of Sinks; of several rules that name a sink the first that fits counts
// for it. It is safe for concurrent use.
func (r Rules) Route(a capture.Alert) []capture.Delivery {
	now := time.Now
	if r.Now != nil {
		now = r.Now
	}
	list := r.List
	if len(list) == 0 {
		list = []Rule{{}}
	}
	at := now().In(cmp.Or(r.Zone, time.UTC))
	how := map[string]capture.Delivery{}
	for _, rule := range list {
		hold, fits := rule.fits(a, at)
		if !fits {
			continue
		}
		for _, sink := range r.Sinks {
			if _, has := how[sink]; !has && (len(rule.To) == 0 || slices.Contains(rule.To, sink)) {
				how[sink] = rule.delivery(a, sink, hold, r.Repeat[sink])
			}
		}
	}
	full := a.Kind == capture.KindDisk && a.Severity.Rank() > capture.Info.Rank()
	if len(how) == 0 && (a.Kind == capture.KindDamage || full) {
		// The store concerns every drive, so rules by drive can't hide what is wrong with it.
		return capture.To(r.Sinks...)
	}
	out := make([]capture.Delivery, 0, len(how))
	for _, sink := range r.Sinks {
		if d, has := how[sink]; has {
			out = append(out, d)
		}
	}
	return out
}

func (r Rule) delivery(a capture.Alert, sink string, hold time.Time, repeat time.Duration) capture.Delivery {
	d := capture.Delivery{Sink: sink, Hold: hold, Remind: r.Remind.Std()}
	if r.Repeat != nil {
		repeat = r.Repeat.Std()
	}
	if repeat > 0 {
		d.Fold, d.Every = a.Condition(), repeat
	}
	return d
}

// fits tells whether the rule is about the alert, and until when it waits.
func (r Rule) fits(a capture.Alert, now time.Time) (hold time.Time, fits bool) {
	if !r.matches(a) {
		return hold, false
	}
	if len(r.Hours) == 0 {
		return hold, true
	}
	for _, text := range r.Hours {
		h, err := ParseHours(text) // a config with an error in it isn't loaded
		if err != nil || h.Holds(now) {
			return time.Time{}, true
		}
		if next := h.Next(now); hold.IsZero() || next.Before(hold) {
			hold = next
		}
	}
	return hold.UTC(), r.Outside == Wait
}

func (r Rule) matches(a capture.Alert) bool {
	if len(r.Kinds) == 0 && a.Kind == capture.KindBlind {
		return false
	}
	if len(r.Kinds) > 0 && !slices.Contains(r.Kinds, a.Kind) {
		return false
	}
	if len(r.Drives) > 0 && !slices.ContainsFunc(r.Drives, func(p string) bool { return MatchName(p, a.Drive) }) {
		return false
	}
	if len(r.Classes) > 0 && !slices.Contains(r.Classes, classOf(a.Fault)) {
		return false
	}
	if len(r.Codes) > 0 && !slices.ContainsFunc(r.Codes, func(p string) bool { return matchCode(p, a.Fault) }) {
		return false
	}
	if len(r.Families) > 0 && (a.Family == "" || !slices.ContainsFunc(r.Families, func(p string) bool { return MatchName(p, a.Family) })) {
		return false
	}
	return r.Severity == "" || a.Severity.Rank() >= r.Severity.Rank()
}

// classOf is the class of the fault; a code that no table knows is of class unknown.
func classOf(f capture.Fault) capture.Class {
	if f.Class == "" && f.Code != 0 {
		return capture.ClassUnknown
	}
	return f.Class
}

// MatchName tells whether pattern is the name itself or a pattern that fits
// it (*, ? and [a-z] as in file names).
func MatchName(pattern, name string) bool {
	if pattern == name {
		return true
	}
	ok, err := path.Match(pattern, name)
	return err == nil && ok
}

// matchCode compares with the code as the trade writes it, so that 2311 in a
// rule is what the drive's manual calls 2311; 0x… compares the raw number.
func matchCode(pattern string, f capture.Fault) bool {
	if f.Code == 0 && f.Shown == "" {
		return false
	}
	pattern = strings.ToUpper(pattern)
	if hex, ok := strings.CutPrefix(pattern, "0X"); ok {
		n, err := strconv.ParseUint(hex, 16, 32)
		return err == nil && uint32(n) == f.Code
	}
	shown := f.Shown
	if shown == "" {
		shown = strconv.FormatUint(uint64(f.Code), 10)
	}
	return MatchName(pattern, strings.ToUpper(shown))
}
