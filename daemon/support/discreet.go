package support

import (
	"fmt"
	"net/url"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"

	"faultkeep/daemon/config"
)

// removed stands where something was taken out.
const removed = "(removed)"

// secrets are words that must not leave the machine, wherever they turn up.
type secrets struct{ words []string }

// add remembers a word that was taken out of the config. Short ones would
// tear holes into texts that don't mean them.
func (s *secrets) add(word string) {
	if word = strings.TrimSpace(word); len(word) >= 6 && !slices.Contains(s.words, word) {
		s.words = append(s.words, word)
		slices.SortFunc(s.words, func(a, b string) int { return len(b) - len(a) }) // the longest first: one may hold another
	}
}

var (
	address   = regexp.MustCompile(`[A-Za-z][A-Za-z0-9+.-]*://[^\s"'<>\\]+`)
	hash      = regexp.MustCompile(`\$(argon2|2[abxy]|5|6|y|scrypt|pbkdf2)[A-Za-z0-9-]*\$[^\s"'<>\\]+`)
	carried   = regexp.MustCompile(`(?i)\b(bearer|basic)\s+[A-Za-z0-9._~+/=-]{6,}`)
	key       = regexp.MustCompile(`(?s)-----BEGIN [A-Z ]*PRIVATE KEY-----.*?(-----END [A-Z ]*PRIVATE KEY-----|$)`)
	shownKeys = known(reflect.TypeFor[config.Config]())
)

// clean is a text without what is or looks like a secret.
func (s *secrets) clean(text string) string {
	for _, word := range s.words {
		text = strings.ReplaceAll(text, word, removed)
	}
	text = key.ReplaceAllString(text, removed)
	text = hash.ReplaceAllString(text, removed)
	text = carried.ReplaceAllString(text, "$1 "+removed)
	return address.ReplaceAllStringFunc(text, cleanAddress)
}

// cleanAddress takes the user, the values of the query and the fragment out of
// an address; where it can't be read, all after its scheme.
func cleanAddress(text string) string {
	u, err := url.Parse(text)
	if err != nil {
		scheme, _, _ := strings.Cut(text, "://")
		return scheme + "://" + removed
	}
	out := u.Scheme + "://"
	if u.User != nil {
		out += removed + "@"
	}
	out += u.Host + u.EscapedPath()
	if u.RawQuery != "" {
		var names []string
		for part := range strings.SplitSeq(u.RawQuery, "&") {
			name, _, has := strings.Cut(part, "=")
			if !has { // a token alone
				name = removed
			} else {
				name += "=" + removed
			}
			names = append(names, name)
		}
		out += "?" + strings.Join(names, "&")
	}
	if u.Fragment != "" {
		out += "#" + removed
	}
	return out
}

// known are the keys of the config as patterns, such as drives[].name, with
// whether what stands there may be shown. A key that isn't among them, as a
// misspelt one isn't, is never shown.
func known(t reflect.Type) map[string]bool {
	out := map[string]bool{}
	var walk func(at string, t reflect.Type, depth int)
	walk = func(at string, t reflect.Type, depth int) {
		switch t.Kind() {
		case reflect.Pointer:
			walk(at, t.Elem(), depth)
			return
		case reflect.Slice:
			walk(at+"[]", t.Elem(), depth)
			return
		case reflect.Map:
			walk(at+".*", t.Elem(), depth)
			return
		case reflect.Struct:
			for i := range t.NumField() {
				f := t.Field(i)
				name, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
				switch {
				case f.Anonymous && name == "":
					walk(at, f.Type, depth)
				case name != "" && name != "-" && depth < 10:
					walk(strings.TrimPrefix(at+"."+name, "."), f.Type, depth+1)
				}
			}
			if t.NumField() > 0 {
				return
			}
		}
		out[at] = !telling(at)
	}
	walk("", t, 0)
	return out
}

var (
	secretName = regexp.MustCompile(`(?i)(hash|pass|secret|token|credential|auth|sign|private|url|\bheaders\b|\.user(name)?$)`)
	placeName  = regexp.MustCompile(`(_file|_env|secret_header)$`) // says where a secret is, not what it is
)

// telling tells whether a key may hold a secret itself.
func telling(path string) bool {
	return secretName.MatchString(path) && !placeName.MatchString(path)
}

// discreet is the config without its secrets and comments. Only what is known
// to be harmless stays. What was taken out goes to s.
func discreet(src []byte, s *secrets) (string, error) {
	var v any
	if err := yaml.UnmarshalWithOptions(src, &v, yaml.UseOrderedMap()); err != nil {
		return "", err
	}
	hide(v, "", s)
	out, err := yaml.Marshal(s.walk(v, ""))
	return string(out), err
}

// hide collects what is taken out, before any of it can be shown elsewhere.
func hide(v any, at string, s *secrets) {
	switch v := v.(type) {
	case yaml.MapSlice:
		for _, item := range v {
			hide(item.Value, below(at, item.Key), s)
		}
	case []any:
		for _, item := range v {
			hide(item, at+"[]", s)
		}
	case nil, bool:
	default:
		if !shows(at) {
			s.add(fmt.Sprint(v))
		}
	case string:
		if !shows(at) && !strings.HasSuffix(at, ".user") { // an account may be called as the program is
			s.add(v)
		}
		if u, err := url.Parse(v); err == nil {
			if word, ok := u.User.Password(); ok {
				s.add(word)
			}
			for _, list := range u.Query() {
				for _, word := range list {
					if u.Scheme != "" {
						s.add(word)
					}
				}
			}
		}
	}
}

func below(at string, key any) string {
	name := fmt.Sprint(key)
	if _, ok := shownKeys[strings.TrimPrefix(at+".*", ".")]; ok {
		name = "*"
	}
	return strings.TrimPrefix(at+"."+name, ".")
}

func shows(at string) bool {
	if shown, ok := shownKeys[at]; ok {
		return shown
	}
	// A list may be written as one value.
	return shownKeys[at+"[]"]
}

// walk is v without what mustn't be seen.
func (s *secrets) walk(v any, at string) any {
	switch v := v.(type) {
	case yaml.MapSlice:
		out := make(yaml.MapSlice, len(v))
		for i, item := range v {
			out[i] = yaml.MapItem{Key: s.clean(fmt.Sprint(item.Key)), Value: s.walk(item.Value, below(at, item.Key))}
		}
		return out
	case []any:
		out := make([]any, len(v))
		for i, item := range v {
			out[i] = s.walk(item, at+"[]")
		}
		return out
	case nil:
		return nil
	case string:
		switch {
		case shows(at):
			return s.clean(v)
		case strings.HasSuffix(at, "url"): // its host tells who is meant; its path may be a token
			if u, err := url.Parse(v); err == nil && u.Host != "" {
				return u.Scheme + "://" + u.Host + "/" + removed
			}
		}
		return removed
	}
	if shows(at) {
		return v
	}
	return removed
}
