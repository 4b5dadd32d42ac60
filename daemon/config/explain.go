package config

import (
	"fmt"
	"slices"
	"strings"

	"faultkeep/daemon/alert"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

// Explain says what faultkeep will do with this config: where it keeps
// captures, a line for every drive with everything it may write there, and
// who hears of what.
func (l *Loaded) Explain() string {
	var b strings.Builder
	line := func(text string, args ...any) { fmt.Fprintf(&b, text+"\n", args...) }
	line("%s, times in %s.", l.Config.Site, zone(l))
	line("Captures are kept in %s.", l.Config.Data)
	line("%s", l.Config.Store.sentence())
	for _, text := range l.page() {
		line("%s", text)
	}
	line("")
	line("%s:", count(len(l.Drives), "drive"))
	for _, d := range l.Drives {
		line("  %s", d.sentence())
	}
	if len(l.Folders) > 0 {
		line("")
		line("%s:", count(len(l.Folders), "folder"))
		for _, f := range l.Folders {
			line("  %s", f.sentence())
		}
	}
	if l.Config.Heartbeat != nil {
		line("%s", l.Config.Heartbeat.Sentence())
	}
	line("")
	line("Alerts:")
	for _, s := range l.Config.Alerts.Sinks {
		line("  %s", s.sentence())
	}
	for _, text := range l.routes() {
		line("  %s", text)
	}
	if l.Config.Brief != nil {
		line("  %s", l.Config.Brief.sentence())
	}
	if l.Config.Holdoff != nil {
		line("")
		line("%s", l.holdoffSentence())
	}
	return b.String()
}

func zone(l *Loaded) string {
	if l.Config.Timezone == "" {
		return "this computer's time zone"
	}
	return l.Config.Timezone
}

func (d Drive) sentence() string {
	c := d.Config
	name := c.Name
	if c.Title != "" && c.Title != c.Name {
		name += " (" + c.Title + ")"
	}
	s := fmt.Sprintf("%s at %s unit %d, map %s, is polled every %s", name, c.Address, c.UnitID(), d.Map.Name, c.Poll)
	if n := d.Connections(); n > 1 {
		s += fmt.Sprintf(" and pulled over %d connections", n)
	}
	var writes []string
	if c.Allows("page") && d.Map.Data.Layout == regmap.Window {
		writes = append(writes, fmt.Sprintf("%s %d to show a page of the recording", d.Map.Data.Page.Table, d.Map.Data.Page.Address))
	}
	if c.Allows("arm") && d.Map.Arm != nil {
		var places []string
		for _, w := range d.Map.Arm.Writes {
			if p := place(w); !slices.Contains(places, p) {
				places = append(places, p)
			}
		}
		writes = append(writes, strings.Join(places, ", ")+" to arm the recorder again once a capture is kept")
	}
	if c.Allows("settings") && len(d.Map.Settings) > 0 {
		var places []string
		for _, s := range d.Map.Settings {
			places = append(places, fmt.Sprintf("%s (%s)", place(s.Write), s.Name))
		}
		writes = append(writes, strings.Join(places, ", ")+" to give the recorder its settings before arming")
	}
	if len(writes) == 0 {
		s += "; it is only read."
	} else {
		s += "; faultkeep may write " + strings.Join(writes, ", and ") + ", and nothing else."
	}
	switch {
	case d.Map.Arm == nil:
		s += " Its recorder must be armed by the drive itself or by somebody else."
	case !c.Allows("arm"):
		s += " Its recorder must be armed by the drive itself or by somebody else, since allow: [arm] isn't given."
	}
	return s
}

func place(w regmap.Write) string {
	if len(w.Words) > 1 {
		return fmt.Sprintf("%s %d–%d", w.Table, w.Address, int(w.Address)+len(w.Words)-1)
	}
	return fmt.Sprintf("%s %d", w.Table, w.Address)
}

func (s Sink) sentence() string {
	switch {
	case s.Webhook != nil:
		return s.Name + " posts to " + s.Webhook.Place() + "."
	case s.File != nil:
		return s.Name + " appends to " + s.File.Path + "."
	case s.Syslog != nil:
		return s.Name + " sends syslog to " + s.Syslog.Place() + "."
	case s.Email != nil:
		return s.Name + " sends mail to " + strings.Join(s.Email.To, ", ") + " by " + s.Email.Place() + "."
	case s.MQTT != nil:
		return s.Name + " publishes by MQTT to " + s.MQTT.Place() + ", and shows every drive's state there."
	}
	return s.Name + " writes a line to the log."
}

// routes says who hears of what, and of which drives nobody does.
func (l *Loaded) routes() []string {
	rules := l.Config.Alerts.Rules
	if len(rules) == 0 {
		return []string{"Captures, partial captures, misses, drifted settings and damage go to every sink."}
	}
	var out []string
	for _, r := range rules {
		out = append(out, sentence(r))
	}
	for _, d := range l.Drives {
		named := func(r alert.Rule) bool {
			trips := len(r.Kinds) == 0 || slices.Contains(r.Kinds, capture.KindCapture) || slices.Contains(r.Kinds, capture.KindMiss)
			return trips && (len(r.Drives) == 0 || slices.ContainsFunc(r.Drives, func(p string) bool { return alert.MatchName(p, d.Config.Name) }))
		}
		if !slices.ContainsFunc(rules, named) {
			out = append(out, "No rule takes in "+d.Config.Name+": nobody is told of its trips.")
		}
	}
	return out
}

func sentence(r alert.Rule) string {
	what := "Captures, partial captures, misses, drifted settings and damage"
	if len(r.Kinds) > 0 {
		what = "Alerts of kind " + list(r.Kinds)
	}
	if len(r.Drives) > 0 {
		what += " of " + list(r.Drives)
	}
	if len(r.Classes) > 0 {
		what += ", fault class " + list(r.Classes)
	}
	if len(r.Codes) > 0 {
		what += ", fault code " + list(r.Codes)
	}
	if r.Severity != "" && r.Severity != capture.Info {
		what += ", of severity " + string(r.Severity) + " or above"
	}
	if strings.Contains(what, ", fault") || strings.HasSuffix(what, "or above") {
		what += ","
	}
	if len(r.To) == 0 {
		return what + " go to every sink."
	}
	return what + " go to " + list(r.To) + "."
}

func list[T ~string](words []T) string { return strings.Join(plainly(words), ", ") }

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
