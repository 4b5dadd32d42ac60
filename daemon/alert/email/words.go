package email

import (
	_ "embed"
	"fmt"
	"html/template"
	"strings"
	"unicode"

	"faultkeep/daemon/alert"
	"faultkeep/store/capture"
)

// told is a message in words.
type told struct{ Subject, Text, HTML string }

//go:embed mail.html
var layout string

var page = template.Must(template.New("mail").Parse(layout))

// fact is one line below the sentence.
type fact struct{ Name, Value string }

const caution = "faultkeep is no part of a safety function. Before work on a drive or its machine follow your site's lockout, wait the time on the drive's label, then measure the DC link."

func (s *Sink) words(a capture.Alert) told { return s.compose(a, false) }

func (s *Sink) withPicture(a capture.Alert) told { return s.compose(a, true) }

// compose says everything in plain text, and the same again as HTML.
func (s *Sink) compose(a capture.Alert, picture bool) told {
	facts, link := s.facts(a), alert.Page(s.about.Link, a)
	var b strings.Builder
	b.WriteString(strings.TrimSpace(clean(a.Text)) + "\n\n")
	for _, f := range facts {
		fmt.Fprintf(&b, "%-9s %s\n", f.Name+":", f.Value)
	}
	if link != "" {
		b.WriteString("\nLook at it: " + link + "\n")
	}
	b.WriteString("\n" + caution + "\n")

	var h strings.Builder
	if err := page.Execute(&h, map[string]any{"Text": clean(a.Text), "Facts": facts, "Link": link, "Picture": picture, "ID": pictureID,
		"Caution": caution, "Title": subject(a)}); err != nil {
		return told{subject(a), b.String(), ""} // the text says everything
	}
	return told{subject(a), b.String(), h.String()}
}

func (s *Sink) facts(a capture.Alert) (facts []fact) {
	add := func(name, value string) {
		if value = line(value); value != "" {
			facts = append(facts, fact{name, value})
		}
	}
	drive := a.Title
	if drive == "" {
		drive = a.Drive
	} else if a.Drive != "" && a.Drive != a.Title {
		drive += " (" + a.Drive + ")"
	}
	add("Drive", drive)
	if a.Fault != (capture.Fault{}) {
		add("Fault", a.Fault.String())
	}
	if !a.Time.IsZero() {
		add("Time", a.Time.In(s.about.Zone).Format("Mon 2 Jan 2006 15:04:05 MST"))
	}
	add("Severity", string(a.Severity))
	add("Site", a.Site)
	add("Family", a.Family)
	add("Capture", string(a.Capture))
	return facts
}

// subject is the line that has to do at 3 a.m. on a phone: the drive first,
// then what is wrong with it.
func subject(a capture.Alert) string {
	if a.Reminder > 0 {
		a.Reminder = 0
		return cut("Reminder: "+subject(a), 120)
	}
	drive := a.Title
	if drive == "" {
		drive = a.Drive
	}
	about := ""
	switch a.Kind {
	case capture.KindCapture:
		about = a.Fault.String()
	case capture.KindPartial:
		about = a.Fault.String() + ", kept in part"
	case capture.KindMiss:
		about = a.Fault.String() + ", recording missed"
	case capture.KindBlind:
		about = "not watched"
	case capture.KindDrift:
		about = "recorder settings not as wanted"
	case capture.KindRace:
		about = "recordings may be erased before they are kept"
	}
	// A sentence that isn't about the trip of one drive speaks for itself.
	if about == "" || drive == "" || a.Count > 1 {
		return first(a.Text)
	}
	return cut(line(drive)+": "+line(about), 120)
}

// first sentence of a text, as far as it fits.
func first(text string) string {
	text = line(text)
	if i := strings.Index(text, ". "); i > 0 {
		text = text[:i+1]
	}
	return cut(strings.TrimSuffix(text, "."), 120)
}

func cut(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return s
}

// line is a text on one line.
func line(s string) string { return strings.Join(strings.Fields(clean(s)), " ") }

// clean is a text without what a mail program might take for a command.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return r
		case unicode.Is(unicode.Cc, r):
			return ' '
		case unicode.Is(unicode.Bidi_Control, r):
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "\ufffd"))
}
