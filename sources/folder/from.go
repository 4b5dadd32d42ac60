package folder

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"faultkeep/store/format"
)

// rule is a From that is ready to be used.
type rule struct {
	file, match *regexp.Regexp
	field       string
	group       string
}

// Check tells what is wrong with a From whose expressions must have a group of
// the given name; key is the setting concerned.
func (f From) Check(group string) (key string, err error) {
	if f.File == "" && f.Field == "" {
		return "", errors.New("needs either file: or field")
	}
	if f.Match != "" && f.Field == "" {
		return "match", errors.New("belongs to field:, which is missing")
	}
	for key, text := range map[string]string{"file": f.File, "match": f.Match} {
		if text == "" {
			continue
		}
		re, err := regexp.Compile(text)
		if err != nil {
			return key, fmt.Errorf("is no regular expression: %w", err)
		}
		if !slices.Contains(re.SubexpNames(), group) {
			return key, fmt.Errorf("has no group (?P<%s>…)", group)
		}
	}
	return "", nil
}

func compile(f *From, group string) (*rule, error) {
	if f == nil {
		return nil, nil
	}
	if _, err := f.Check(group); err != nil {
		return nil, err
	}
	r := &rule{field: f.Field, group: group}
	if f.File != "" {
		r.file = regexp.MustCompile(f.File)
	}
	if f.Match != "" {
		r.match = regexp.MustCompile(f.Match)
	}
	return r, nil
}

// find is what a file says: by its header first, then by the first of its
// paths that fits. Empty: it doesn't.
func (r *rule) find(paths []string, rec format.Record) string {
	if r == nil {
		return ""
	}
	if value := strings.TrimSpace(rec.Field(r.field)); r.field != "" && value != "" {
		if r.match == nil {
			return value
		}
		if found := r.group1(r.match, value); found != "" {
			return found
		}
	}
	if r.file != nil {
		for _, p := range paths {
			if found := r.group1(r.file, p); found != "" {
				return found
			}
		}
	}
	return ""
}

// group1 is the first named group that took part: an expression may offer the
// same name on both sides of an alternative.
func (r *rule) group1(re *regexp.Regexp, text string) string {
	m := re.FindStringSubmatch(text)
	for i, name := range re.SubexpNames() {
		if m != nil && name == r.group && strings.TrimSpace(m[i]) != "" {
			return strings.TrimSpace(m[i])
		}
	}
	return ""
}
