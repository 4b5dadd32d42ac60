package alert

import (
	"path"
	"slices"
	"strconv"
	"strings"

	"faultkeep/store/capture"
)

// Rule says which alerts go to which sinks. Every list that is empty lets all
// through; what is given must all hold.
type Rule struct {
	Drives   []string         `yaml:"drives"`   // names, or patterns such as belt-*
	Classes  []capture.Class  `yaml:"classes"`  // fault classes
	Codes    []string         `yaml:"codes"`    // fault codes as shown, patterns such as 23*, or raw numbers written 0x2311
	Kinds    []capture.Kind   `yaml:"kinds"`    // where empty: all but blind
	Severity capture.Severity `yaml:"severity"` // at least
	To       []string         `yaml:"to"`       // names of sinks; where empty: every sink
}

// Rules decide which sinks hear of an alert.
type Rules struct {
	Sinks []string // every sink, in order
	List  []Rule   // empty: every sink hears of everything but blind spells
}

// Route names the sinks that shall hear of the alert, each once, in the order
// of Sinks. It is pure and safe for concurrent use.
func (r Rules) Route(a capture.Alert) []string {
	var to []string
	list := r.List
	if len(list) == 0 {
		list = []Rule{{}}
	}
	for _, rule := range list {
		if rule.matches(a) {
			if len(rule.To) == 0 {
				return slices.Clone(r.Sinks)
			}
			to = append(to, rule.To...)
		}
	}
	full := a.Kind == capture.KindDisk && a.Severity.Rank() > capture.Info.Rank()
	if len(to) == 0 && (a.Kind == capture.KindDamage || full) {
		// The store concerns every drive, so rules by drive can't hide what is wrong with it.
		return slices.Clone(r.Sinks)
	}
	var out []string
	for _, sink := range r.Sinks {
		if slices.Contains(to, sink) {
			out = append(out, sink)
		}
	}
	return out
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
