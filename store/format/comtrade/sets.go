package comtrade

import (
	"path"
	"sort"
	"strings"
)

// Set names the files of one recording, by base name; what isn't there is empty.
type Set struct {
	CFG, DAT, HDR, INF string
	CFF                string // instead of all others
}

// Complete tells whether the set holds all that a recording needs.
func (s Set) Complete() bool { return s.Missing() == "" }

// Missing is the extension of the file without which the set can't be read:
// ".cfg", ".dat", or empty.
func (s Set) Missing() string {
	switch {
	case s.CFF != "":
		return ""
	case s.CFG == "":
		return ".cfg"
	case s.DAT == "":
		return ".dat"
	}
	return ""
}

// Names are the files of the set, what describes it first.
func (s Set) Names() []string {
	var out []string
	for _, name := range []string{s.CFF, s.CFG, s.DAT, s.HDR, s.INF} {
		if name != "" {
			out = append(out, name)
		}
	}
	return out
}

// place is where a file with this extension goes, nil for any other.
func (s *Set) place(extension string) *string {
	switch strings.ToLower(extension) {
	case ".cff":
		return &s.CFF
	case ".cfg":
		return &s.CFG
	case ".dat":
		return &s.DAT
	case ".hdr":
		return &s.HDR
	case ".inf":
		return &s.INF
	}
	return nil
}

// Sets tells which of the files in one folder belong together, by their base
// names: the same stem makes a set, whatever the case of the extension. Where
// a set lacks a file, a stem that differs in case alone fills the gap, as it
// does on Windows. Names of other files are left out. Sets come in the order
// of their stems.
func Sets(names []string) []Set {
	sorted := append([]string(nil), names...)
	sort.Strings(sorted)
	var stems []string
	byStem := map[string][]*Set{}
	for _, name := range sorted {
		extension := path.Ext(name)
		if (&Set{}).place(extension) == nil {
			continue
		}
		stem := strings.TrimSuffix(name, extension)
		if byStem[stem] == nil {
			stems = append(stems, stem)
		}
		byStem[stem] = put(byStem[stem], name, extension)
	}
	return collect(stems, byStem)
}

// put adds the file to the first of the sets that has room for it. A .cff
// stands alone, and so does a second file of one kind ("a.cfg" and "a.CFG").
func put(sets []*Set, name, extension string) []*Set {
	alone := strings.EqualFold(extension, ".cff")
	for _, s := range sets {
		if at := s.place(extension); !alone && s.CFF == "" && *at == "" {
			*at = name
			return sets
		}
	}
	s := &Set{}
	*s.place(extension) = name
	return append(sets, s)
}

// collect joins sets whose stems differ in case alone, where no kind of file
// is in both.
func collect(stems []string, byStem map[string][]*Set) []Set {
	last := map[string]*Set{} // by folded stem
	var all []*Set
	for _, stem := range stems {
		folded := strings.ToLower(stem)
		for _, s := range byStem[stem] {
			if earlier := last[folded]; earlier != nil && earlier.fits(*s) {
				earlier.take(*s)
				continue
			}
			last[folded] = s
			all = append(all, s)
		}
	}
	out := make([]Set, len(all))
	for i, s := range all {
		out[i] = *s
	}
	return out
}

// fits tells whether no kind of file is in both sets. A .cff needs no other.
func (s *Set) fits(other Set) bool {
	if s.CFF != "" || other.CFF != "" {
		return false
	}
	for _, name := range other.Names() {
		if *s.place(path.Ext(name)) != "" {
			return false
		}
	}
	return true
}

func (s *Set) take(other Set) {
	for _, name := range other.Names() {
		*s.place(path.Ext(name)) = name
	}
}
