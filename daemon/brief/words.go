package brief

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"faultkeep/daemon/report"
)

// Text is the brief as plain text. Its first line is the headline.
func (b Brief) Text() string {
	var t strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&t, format+"\n", args...) }
	line("%s", b.Headline)
	line("%s", b.Period())
	for _, s := range b.sections() {
		line("")
		line("%s", s.Heading)
		for _, i := range s.Items {
			if i.Head != "" {
				line("  %s", i.Head)
			}
			for _, text := range i.Lines {
				line("    %s", text)
			}
		}
	}
	if len(b.Trips) > 0 {
		line("")
		_, _ = io.WriteString(&t, report.FindingsCaution+"\n") // a Builder doesn't fail
	}
	return t.String()
}

// Period is where and when: "Northquay, Wed 25 Nov 06:00 → Thu 26 Nov 06:00, Europe/Oslo".
func (b Brief) Period() string {
	from := ""
	if !b.From.IsZero() {
		from = b.From.Format("Mon 2 Jan 2006 15:04") + " → "
	}
	zone := b.Zone
	if zone == time.Local.String() { // which says nothing to whoever reads it elsewhere
		zone = b.To.Format("MST")
	}
	text := from + b.To.Format("Mon 2 Jan 2006 15:04") + ", " + zone
	if b.Site != "" {
		text = b.Site + ", " + text
	}
	return text
}

// section is a part of the brief, the same in text and on the page.
type section struct {
	Heading string
	Look    bool // somebody should
	Items   []told
}

// told is one thing with the lines about it.
type told struct {
	Head    string
	Lines   []string
	Look    bool
	Picture []byte
}

// sections are the parts that have something to say.
func (b Brief) sections() []section {
	var out []section
	add := func(heading string, look bool, items []told) {
		if len(items) > 0 {
			out = append(out, section{heading, look, items})
		}
	}
	add("Trips", false, b.tripItems())
	add("Not watched now", true, items(b.Now))
	add("A recording can be lost", true, items(b.Races))
	var blind, fully []told
	for _, d := range b.Drives {
		if d.Blind {
			blind = append(blind, told{Head: d.Title, Lines: []string{sentences(upper(d.Text))}, Look: true})
		} else {
			fully = append(fully, told{})
		}
	}
	if n := len(fully); n > 0 && len(blind) > 0 {
		blind = append(blind, told{Lines: []string{plural(n, "other drive was", "other drives were") + " watched all the time."}})
	}
	add("Blind spells", true, blind)
	var proof []told
	for _, r := range b.Repairs {
		head := r.Title + ", " + r.At.Format("2 Jan 2006")
		if r.Fault != "" {
			head += ", against " + r.Fault
		}
		proof = append(proof, told{Head: head + ": " + r.Note, Lines: r.Text})
	}
	add("Repairs under proof", false, proof)
	add("Also", false, items(b.Events))
	add("Alerts not delivered", true, items(b.Alerts))
	add("Store", b.Store.Low || b.Store.Full, []told{{Lines: []string{b.Store.Text}}})
	if b.Unknown != "" {
		add("Not known", false, []told{{Lines: []string{b.Unknown}}})
	}
	return out
}

// tripItems are the trips in their order; those of a group with many stay together.
func (b Brief) tripItems() []told {
	type placed struct {
		at time.Time
		told
	}
	var all []placed
	for _, g := range b.Trips {
		name := g.Title + ": " + g.Fault
		if g.Text != "" {
			all = append(all, placed{g.First, told{Head: name, Lines: []string{g.Text}}})
		}
		for _, t := range g.Trips {
			at := t.Time
			if g.Text != "" {
				at = g.First
			}
			all = append(all, placed{at, t.told(stamp(b, t.Time) + "  " + name)})
		}
		if g.Text == "" && len(g.Trips) < g.count() {
			all = append(all, placed{g.Last, told{Head: name, Lines: []string{plural(g.count()-len(g.Trips), "trip", "trips") + " more; `faultkeep list` has them all."}}})
		}
	}
	slices.SortStableFunc(all, func(x, y placed) int { return x.at.Compare(y.at) })
	out := make([]told, len(all))
	for i, p := range all {
		out[i] = p.told
	}
	return out
}

func (t Trip) told(head string) told {
	one := told{Head: head, Picture: t.picture, Look: t.Capture == ""}
	how := sentences(upper(t.Status), t.Why)
	if strings.HasPrefix(t.Why, "Missed") { // it says it itself
		how = t.Why
	}
	for _, text := range []string{t.First, t.Often, how} {
		if text != "" {
			one.Lines = append(one.Lines, text)
		}
	}
	if t.Trace != "" {
		one.Lines = append(one.Lines, "A coarse trace of it was kept: "+string(t.Trace))
	}
	if t.Capture != "" {
		one.Lines = append(one.Lines, "faultkeep show "+string(t.Capture))
	}
	return one
}

func items(list []Item) (out []told) {
	for _, i := range list {
		out = append(out, told{Head: i.Title, Lines: []string{i.Text}, Look: true})
	}
	return out
}

// stamp is a trip's time, with its day where the period holds several.
func stamp(b Brief, t time.Time) string {
	if b.To.Sub(b.From) <= 25*time.Hour {
		return t.Format("15:04:05")
	}
	return t.Format("Mon 2 Jan 15:04:05")
}

// clock is a time to the minute, with its day where the period holds several.
func (f *facts) clock(t time.Time) string {
	if f.To.Sub(f.From) <= 25*time.Hour {
		return t.In(f.Zone).Format("15:04")
	}
	return t.In(f.Zone).Format("Mon 2 Jan 15:04")
}

// moment is a time to the minute, with its day where that isn't the last one.
func (f *facts) moment(t time.Time) string {
	if f.To.Sub(t) <= 24*time.Hour {
		return t.In(f.Zone).Format("15:04")
	}
	return t.In(f.Zone).Format("2 Jan 15:04")
}

// date is a day, with its year where that isn't the brief's.
func (f *facts) date(t time.Time) string {
	if t.In(f.Zone).Year() == f.To.In(f.Zone).Year() {
		return t.In(f.Zone).Format("2 Jan")
	}
	return t.In(f.Zone).Format("2 Jan 2006")
}

func ordinal(n int) string {
	end := "th"
	switch {
	case n%100 >= 11 && n%100 <= 13:
	case n%10 == 1:
		end = "st"
	case n%10 == 2:
		end = "nd"
	case n%10 == 3:
		end = "rd"
	}
	return strconv.Itoa(n) + end
}

func counts(kept, partial, missed int) string {
	text := strconv.Itoa(kept) + " kept whole"
	if partial > 0 {
		text += fmt.Sprintf(", %d in part", partial)
	}
	if missed > 0 {
		text += fmt.Sprintf(", %d missed", missed)
	}
	return text
}

// lasting is a duration with as many digits as it deserves.
func lasting(d time.Duration) string {
	switch {
	case d < time.Second:
		return fmt.Sprintf("%d ms", d.Round(time.Millisecond)/time.Millisecond)
	case d < 10*time.Second:
		return strings.TrimSuffix(strconv.FormatFloat(d.Seconds(), 'f', 1, 64), ".0") + " s"
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	}
	return fmt.Sprintf("%d h", int(d.Hours()))
}

// size is an amount of data in the binary units that file tools show.
func size(n int64) string {
	switch {
	case n < 10<<20:
		return fmt.Sprintf("%d KiB", (n+1<<10-1)>>10)
	case n < 10<<30:
		return fmt.Sprintf("%d MiB", n>>20)
	}
	return fmt.Sprintf("%d GiB", n>>30)
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// sentences puts texts behind one another, each ended with a full stop.
func sentences(texts ...string) string {
	var out []string
	for _, s := range texts {
		if s = strings.TrimSpace(s); s == "" {
			continue
		}
		if !strings.ContainsAny(s[len(s)-1:], ".!?:") {
			s += "."
		}
		out = append(out, s)
	}
	return strings.Join(out, " ")
}

func upper(s string) string {
	r := []rune(s)
	if len(r) == 0 {
		return s
	}
	return strings.ToUpper(string(r[:1])) + string(r[1:])
}
