package config

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"faultkeep/configs/strict"
)

// atOnce are the sections of the file that a running faultkeep can take. Web
// and log it takes in part, see Over; any other keeps the value that it had.
var atOnce = []string{"timezone", "store", "poll", "drives", "folders", "alerts", "brief", "heartbeat", "holdoff", "web", "log"}

// Over makes l fit to take the place of the config that a running faultkeep
// works by: what can't change meanwhile keeps its old value, and later tells of
// each, a sentence. Problems are what makes the two not fit.
func (l *Loaded) Over(old *Loaded) (later []string, problems strict.Problems) {
	say := func(text string, args ...any) { later = append(later, fmt.Sprintf(text, args...)) }
	c, was := &l.Config, &old.Config
	if !reflect.DeepEqual(c.Web.Listen, was.Web.Listen) || !reflect.DeepEqual(c.Web.TLS, was.Web.TLS) {
		what := "web.listen"
		if c.Web.Listen == was.Web.Listen {
			what = "web.tls"
		}
		say("%s takes effect at the next start, and with it all below web:. Until then the page is at %s, for the users and under the names as before.",
			what, was.Web.Address())
		if c.Alerts.Link == c.Web.Address() { // the default
			c.Alerts.Link = was.Web.Address()
		}
		// All of it: users that fit another address must not open this one.
		c.Web = was.Web
	}
	log := was.Log
	log.Level = c.Log.Level
	if c.Log != log {
		say("log takes effect at the next start, but for its level.")
	}
	c.Log = log
	if c.Data != was.Data {
		say("data takes effect at the next start. Until then captures are kept in %s.", was.Data)
		for i, f := range c.Folders {
			if within(was.Data, f.Path) || within(f.Path, was.Data) {
				problems = append(problems, strict.Problem{File: l.Path, Field: fmt.Sprintf("folders[%d].path", i),
					Text: fmt.Sprintf("%s and the data folder in use, %s, lie in one another", f.Path, was.Data),
					Hint: "stop faultkeep and start it again to move its data"})
			}
		}
		c.Data = was.Data
	}
	now, before := reflect.ValueOf(c).Elem(), reflect.ValueOf(was).Elem()
	for i := range now.NumField() {
		key, _, _ := strings.Cut(now.Type().Field(i).Tag.Get("yaml"), ",")
		if slices.Contains(atOnce, key) || reflect.DeepEqual(now.Field(i).Interface(), before.Field(i).Interface()) {
			continue
		}
		say("%s takes effect at the next start.", key)
		now.Field(i).Set(before.Field(i))
	}
	return later, problems
}
