package config

import (
	"fmt"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// Limits of how often people are told the same.
const (
	leastRepeat = 10 * time.Second
	leastRemind = time.Minute
	mostRepeat  = 7 * 24 * time.Hour
)

// alerts checks who hears of what, and gives the names of the sinks.
func (c *checker) alerts() []string {
	if link := c.cfg.Alerts.Link; c.doc.Has("alerts.link") && !c.bad("alerts.link") {
		u, err := url.Parse(link)
		if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" {
			c.say("alerts.link", "write how people reach the page, as in http://edge-pc.example:8377", "is not a plain http or https address")
		}
	}
	sinks := c.sinks()
	for i, r := range c.cfg.Alerts.Rules {
		c.rule(fmt.Sprintf("alerts.rules[%d]", i), r, sinks)
	}
	return sinks
}

func (c *checker) sinks() []string {
	var names []string
	for i := range c.cfg.Alerts.Sinks {
		s := &c.cfg.Alerts.Sinks[i]
		at := fmt.Sprintf("alerts.sinks[%d]", i)
		switch {
		case c.bad(at + ".name"):
		case s.Name == "":
			c.missing(at+".name", "give one that rules can name")
		case !plain(s.Name) || s.Name != strings.TrimSpace(s.Name):
			c.say(at+".name", "write letters, digits and hyphens", "%q begins or ends with a space, or holds a control character", s.Name)
		case len(s.Name) > longestName:
			c.say(at+".name", "keep it short", "has more than %d characters", longestName)
		case slices.Contains(names, s.Name):
			c.say(at+".name", "give each sink a name of its own", "%q is the name of another sink", s.Name)
		}
		if s.Name != "" && !slices.Contains(names, s.Name) {
			names = append(names, s.Name)
		}
		c.sink(at, s)
	}
	return names
}

// sink checks that it is of exactly one kind, and what that kind says.
func (c *checker) sink(at string, s *Sink) {
	type kind struct {
		key   string
		given bool
		check func(say func(key, text, hint string))
	}
	kinds := []kind{
		{"log", s.Log != nil, nil},
		{"webhook", s.Webhook != nil, func(say func(key, text, hint string)) {
			c.beside(&s.Webhook.SecretFile)
			c.beside(&s.Webhook.SignFile)
			s.Webhook.Check(say)
		}},
		{"file", s.File != nil, func(say func(key, text, hint string)) {
			c.beside(&s.File.Path)
			s.File.Check(say)
		}},
		{"syslog", s.Syslog != nil, func(say func(key, text, hint string)) {
			c.beside(&s.Syslog.CAFile)
			s.Syslog.Check(say)
		}},
		{"email", s.Email != nil, func(say func(key, text, hint string)) {
			c.beside(&s.Email.PasswordFile)
			c.beside(&s.Email.CAFile)
			s.Email.Check(say)
		}},
		{"mqtt", s.MQTT != nil, func(say func(key, text, hint string)) {
			c.beside(&s.MQTT.PasswordFile)
			c.beside(&s.MQTT.CAFile)
			s.MQTT.Check(say)
		}},
	}
	// A kind that is named with nothing after it is meant all the same.
	kinds = slices.DeleteFunc(kinds, func(k kind) bool { return !k.given && !c.doc.Has(at+"."+k.key) })
	switch {
	case len(kinds) > 1:
		c.say(at, "make two sinks of it", "is both %s and %s", kinds[0].key, kinds[1].key)
	case len(kinds) == 0 && !c.bad(at): // a key that isn't known is its kind, misspelt or not
		c.say(at, "add one of log: {}, webhook: {url: …}, file: {path: …}, syslog: {address: …}, email: {server: …, from: …, to: […]}, mqtt: {server: …}", "doesn't say what kind of sink it is")
	case len(kinds) == 1 && kinds[0].given && kinds[0].check != nil:
		kinds[0].check(func(key, text, hint string) {
			if path := at + "." + kinds[0].key + "." + key; !c.bad(path) {
				c.say(path, hint, "%s", text)
			}
		})
	}
}

// beside makes a file that the config names one that can be opened.
func (c *checker) beside(name *string) {
	if *name != "" {
		*name = c.files.path(*name)
	}
}

// rule checks that every word in it can ever fit something.
func (c *checker) rule(at string, r alert.Rule, sinks []string) {
	item := func(list string, i int) string { return fmt.Sprintf("%s.%s[%d]", at, list, i) }
	drives := make([]string, 0, len(c.cfg.Drives))
	for _, d := range c.cfg.Drives {
		drives = append(drives, d.Name)
	}
	for _, f := range c.cfg.Folders {
		drives = append(drives, f.Name)
		if f.Drive != "" && !slices.Contains(drives, f.Drive) {
			drives = append(drives, f.Drive)
		}
	}
	for i, p := range r.Drives {
		if _, err := path.Match(p, ""); err != nil {
			c.say(item("drives", i), "write a name, or a pattern such as belt-*", "%q is not a pattern", p)
		} else if !c.anyDrive() && !slices.ContainsFunc(drives, func(name string) bool { return alert.MatchName(p, name) }) {
			c.say(item("drives", i), meant(p, drives), "no drive is called %q", p)
		}
	}
	words(c, at+".classes", r.Classes, capture.Classes, "fault class")
	words(c, at+".kinds", r.Kinds, capture.Kinds, "kind of alert")
	c.oneOf(at+".severity", string(r.Severity), plainly(capture.Severities))
	for i, code := range r.Codes {
		hex, isHex := strings.CutPrefix(strings.ToLower(code), "0x")
		_, badHex := strconv.ParseUint(hex, 16, 32)
		_, badPattern := path.Match(code, "")
		if code == "" || isHex && badHex != nil || badPattern != nil {
			c.say(item("codes", i), "write it as the drive shows it, such as 2311, F07, 23* or 0x2311", "%q is not a fault code", code)
		}
	}
	for i, p := range r.Families {
		if _, err := path.Match(p, ""); err != nil {
			c.say(item("families", i), "write a family's name as the page shows it, or a pattern such as 2311-*", "%q is not a pattern", p)
		}
	}
	for i, text := range r.Hours {
		if _, err := alert.ParseHours(text); err != nil {
			c.say(item("hours", i), "write days and hours, as in mon-fri 07:00-16:00, or hours of every day, as in 22:00-06:00", "%s", err)
		}
	}
	c.oneOf(at+".outside", r.Outside, []string{alert.Skip, alert.Wait})
	if r.Outside != "" && len(r.Hours) == 0 {
		c.say(at+".outside", "add hours, or leave it out", "says what becomes of alerts outside hours, and no hours are given")
	}
	if r.Repeat != nil && r.Repeat.Std() != 0 {
		c.between(at+".repeat", *r.Repeat, leastRepeat, mostRepeat)
	}
	if c.doc.Has(at + ".remind") {
		c.between(at+".remind", r.Remind, leastRemind, mostRepeat)
	}
	for i, name := range r.To {
		if !slices.Contains(sinks, name) {
			c.say(item("to", i), meant(name, sinks), "there is no sink %q", name)
		}
	}
}

// words checks words of the model in a list.
func words[T ~string](c *checker, at string, given, known []T, what string) {
	for i, word := range given {
		if !slices.Contains(known, word) {
			c.say(fmt.Sprintf("%s[%d]", at, i), meant(string(word), plainly(known)), "%q is not a %s", word, what)
		}
	}
}

func plainly[T ~string](words []T) []string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = string(w)
	}
	return out
}
