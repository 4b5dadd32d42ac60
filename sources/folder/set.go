package folder

import (
	"cmp"
	"path"
	"slices"
	"strings"
)

// Set are files that belong together: paths below the folder, with slashes.
type Set struct {
	Files []string // what holds the recording
	Extra []string // what only comments on it, and may come later or never
}

// All are all paths of the set.
func (s Set) All() []string { return slices.Concat(s.Files, s.Extra) }

// Group sorts files into sets. A path is in exactly one of them.
type Group func(paths []string) []Set

// partners are the extensions of files that come in sets, and whether the
// recording can do without.
var partners = map[string]bool{".cfg": false, ".dat": false, ".hdr": true, ".inf": true}

// ByName puts files together that have the same path but for their extension,
// in letters of whatever case, where the extensions are ones that come in sets
// (.cfg with .dat, .hdr, .inf). Every other file stands alone.
func ByName(paths []string) []Set {
	groups := map[string][]string{}
	var order []string
	put := func(key, p string) {
		if groups[key] == nil {
			order = append(order, key)
		}
		groups[key] = append(groups[key], p)
	}
	for _, p := range paths {
		if _, partner := partners[extension(p)]; partner {
			put("set "+strings.ToLower(stem(p)), p)
		} else {
			put("file "+p, p)
		}
	}
	var sets []Set
	for _, key := range order {
		for _, g := range apart(groups[key]) {
			sets = append(sets, split(g))
		}
	}
	return sets
}

// apart keeps TRIP.CFG and trip.cfg apart where a file system holds both: then
// the case counts.
func apart(group []string) [][]string {
	seen := map[string]bool{}
	twice := false
	for _, p := range group {
		twice = twice || seen[extension(p)]
		seen[extension(p)] = true
	}
	if !twice {
		return [][]string{group}
	}
	byStem := map[string][]string{}
	var order []string
	for _, p := range group {
		if byStem[stem(p)] == nil {
			order = append(order, stem(p))
		}
		byStem[stem(p)] = append(byStem[stem(p)], p)
	}
	var out [][]string
	for _, s := range order {
		out = append(out, byStem[s])
	}
	return out
}

// split tells what a set can do without. Where nothing else is there, that is
// all there is.
func split(group []string) Set {
	var s Set
	for _, p := range group {
		if partners[extension(p)] {
			s.Extra = append(s.Extra, p)
		} else {
			s.Files = append(s.Files, p)
		}
	}
	if len(s.Files) == 0 {
		s.Files, s.Extra = s.Extra, nil
	}
	slices.SortFunc(s.Files, byLetters)
	slices.SortFunc(s.Extra, byLetters)
	return s
}

// byLetters sorts whatever the case, so that .CFG comes before .dat.
func byLetters(a, b string) int {
	return cmp.Or(cmp.Compare(strings.ToLower(a), strings.ToLower(b)), cmp.Compare(a, b))
}

func extension(p string) string { return strings.ToLower(path.Ext(p)) }

func stem(p string) string { return strings.TrimSuffix(p, path.Ext(p)) }

// junk are names that no recording has: hidden files, and what programs leave
// while they write.
func junk(name string) bool {
	lower := strings.ToLower(name)
	for _, end := range []string{"~", ".tmp", ".temp", ".part", ".partial", ".crdownload", ".swp", ".lock"} {
		if strings.HasSuffix(lower, end) {
			return true
		}
	}
	return strings.HasPrefix(name, ".") || strings.HasPrefix(name, "~$") || lower == "thumbs.db" || lower == "desktop.ini"
}

// wanted tells whether a file fits the patterns. A pattern with a slash is one
// of the path below the folder, any other one of the name; case doesn't count.
func wanted(patterns []string, p string) bool {
	if junk(path.Base(p)) {
		return false
	}
	if len(patterns) == 0 {
		return true
	}
	lower := strings.ToLower(p)
	for _, pattern := range patterns {
		on := path.Base(lower)
		if strings.Contains(pattern, "/") {
			on = lower
		}
		if ok, err := path.Match(strings.ToLower(pattern), on); err == nil && ok {
			return true
		}
	}
	return false
}

// wantedSets are the sets of which one file fits the patterns at least.
func wantedSets(group Group, patterns, paths []string) []Set {
	paths = slices.DeleteFunc(slices.Clone(paths), func(p string) bool { return junk(path.Base(p)) })
	slices.Sort(paths)
	return slices.DeleteFunc(group(paths), func(s Set) bool {
		return !slices.ContainsFunc(s.All(), func(p string) bool { return wanted(patterns, p) })
	})
}
