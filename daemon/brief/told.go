package brief

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"faultkeep/daemon/report"
	"faultkeep/daemon/web/wire"
	"faultkeep/store/coverage"
)

// often says how many of its kind there were before a trip, and what it looks like.
func (f *facts) often(h happened) string {
	drive, fault := h.of()
	kind := "The first of its kind that is known"
	family := ""
	for _, r := range f.recur {
		if r.Drive != drive || r.Fault == "" {
			continue
		}
		at := slices.IndexFunc(r.Trips, func(t wire.Trip) bool {
			return t.Time.Equal(h.at) && (h.capture == nil && t.Capture == "" || h.capture != nil && t.Capture == h.capture.ID)
		})
		switch {
		case at < 0:
		case r.Family != "":
			if at > 0 {
				family = fmt.Sprintf("; looks like %d of those before (family %s)", at, report.Plainly(r.Family))
			} else if len(r.Trips) > 1 {
				family = fmt.Sprintf("; %s (family %s)", plural(len(r.Trips)-1, "later one looks like it", "later ones look like it"), report.Plainly(r.Family))
			}
		case at > 0:
			kind = fmt.Sprintf("The %s with %s since %s", ordinal(at+1), report.Plainly(fault.ShownCode()), f.date(r.Trips[0].Time))
		}
	}
	return kind + family + "."
}

// together tells of a group's trips that aren't told one by one.
func (f *facts) together(g Group) string {
	n := g.count()
	if n <= oneByOne {
		return ""
	}
	every := g.Last.Sub(g.First) / time.Duration(n-1)
	text := fmt.Sprintf("%d trips, %s to %s, one every %s on average: %s.", n, f.clock(g.First), f.clock(g.Last), lasting(every), counts(g.Kept, g.Partial, g.Missed))
	return text + fmt.Sprintf(" The first %d:", oneByOne)
}

// repairs are the last of each drive and fault, as long as they are under proof.
func (f *facts) repairs() []Repair {
	out := []Repair{}
	for _, r := range f.recur {
		if r.Family != "" {
			continue
		}
		for i := len(r.Repairs) - 1; i >= 0; i-- {
			one := r.Repairs[i]
			if (r.Fault == "") != (one.Fault == "") { // it is told where it was meant
				continue
			}
			if !one.At.After(f.To) && f.To.Sub(one.At) <= proofDays*24*time.Hour {
				texts := make([]string, len(one.Judged.Text))
				for k, s := range one.Judged.Text {
					texts[k] = report.Plainly(s)
				}
				out = append(out, Repair{Drive: r.Drive, Title: f.title(r.Drive), At: one.At.In(f.Zone), Fault: report.Plainly(one.Fault), Note: report.Plainly(one.Note), Text: texts})
			}
			break
		}
	}
	return out
}

// now adds what holds at this moment, where the period ends there.
func (f *facts) now(b *Brief) {
	if !f.stands.Running {
		b.Unknown = "faultkeep isn't running, so that nobody is watching now. Which recordings could be lost before they are kept can't be told then."
		return
	}
	if f.stands.Now.Sub(f.To).Abs() > 10*time.Minute {
		return // of a time long past
	}
	for _, d := range f.stands.Drives {
		if !d.Watched {
			b.Now = append(b.Now, Item{Drive: d.Drive, Title: f.title(d.Drive), Text: cmp.Or(sentences(report.Plainly(d.Note)), "Why isn't known.")})
		}
		if text := race(d); text != "" {
			b.Races = append(b.Races, Item{Drive: d.Drive, Title: f.title(d.Drive), Text: text})
		}
	}
}

// race tells of a race that is lost, or hardly won: with less than a quarter
// of what it takes to spare. That share is ours.
func race(d wire.DriveStands) string {
	if d.Need == 0 || d.Stands == 0 {
		return ""
	}
	stands := fmt.Sprintf("A recording stands %s and takes %s to keep", lasting(d.Stands), lasting(d.Need))
	switch spare := d.Stands - d.Need; {
	case spare < 0:
		return sentences(stands+": "+lasting(-spare)+" are wanting", report.Plainly(d.Advice))
	case spare < d.Need/4:
		return sentences(stands + ": only " + lasting(spare) + " to spare")
	}
	return ""
}

// eventKinds are the ledger's entries that a brief tells of, by the words above them.
var eventKinds = map[string]string{"damage": "Store", "disk": "Disk", "clock jump": "Clock", "clock unsure": "Clock", "restored": "Store", "trouble": "Trouble", "unread": "File not read", "reload": "Config"}

// events are what else happened: settings that aren't as wanted, and what
// concerns the clock, the disk and the store.
func (f *facts) events() []Item {
	out := []Item{}
	for _, c := range f.cover {
		for _, d := range c.Drifts {
			out = append(out, Item{Drive: c.Drive, Title: f.title(c.Drive), Text: sentences("Settings not as wanted, " + c.When(d, f.Zone) + ": " + report.Plainly(d.Text))})
		}
	}
	dropped, more := 0, 0
	for _, e := range slices.Backward(f.entries) {
		title := eventKinds[e.Kind]
		switch {
		case e.Kind == "dropped":
			dropped++
		case title == "":
		case len(out) >= events:
			more++
		default:
			if e.Drive != "" {
				title = f.title(e.Drive)
			}
			out = append(out, Item{Drive: e.Drive, Title: title, Text: sentences(f.clock(e.Time) + ": " + report.Plainly(e.Text))})
		}
	}
	if n := f.stands.Alarms; n > 0 {
		out = append(out, Item{Title: "Alarms", Text: plural(n, "alarm isn't", "alarms aren't") + " acknowledged yet."})
	}
	if dropped > 0 {
		out = append(out, Item{Title: "Store", Text: plural(dropped, "old capture was", "old captures were") + " dropped, as the config wants it."})
	}
	if more > 0 {
		out = append(out, Item{Title: "More", Text: plural(more, "further line stands", "further lines stand") + " in the ledger."})
	}
	return out
}

func (f *facts) alerts() []Item {
	out := []Item{}
	for _, u := range f.stands.Undelivered {
		var parts []string
		if u.Waiting > 0 {
			text := plural(u.Waiting, "alert waits", "alerts wait")
			if u.Waiting > 1 {
				text += ", the oldest"
			}
			text += " since " + f.moment(u.Since)
			if u.Why != "" {
				text += ": " + report.Plainly(u.Why)
			}
			parts = append(parts, text)
		}
		if u.Refused > 0 {
			text := plural(u.Refused, "alert was", "alerts were") + " refused for good"
			if u.Because != "" {
				text += ": " + report.Plainly(u.Because)
			}
			parts = append(parts, text)
		}
		if len(parts) > 0 {
			out = append(out, Item{Title: report.Plainly(u.Sink), Text: sentences(parts...)})
		}
	}
	return out
}

func storeWords(s wire.StoreStands) string {
	text := plural(s.Captures, "capture is", "captures are") + " kept in " + size(s.Used)
	if s.Captures == 0 {
		text = "No capture is kept yet"
	}
	if s.Free >= 0 {
		text += "; " + size(s.Free) + " are left on the disk"
	}
	switch {
	case s.Full:
		text += ": so little that no new recordings are kept. Make room"
	case s.Low:
		text += ": less than the config wants. Make room"
	}
	return sentences(text)
}

// Shares of the time below which a quiet period isn't called one. Ours.
const (
	littleOfAll = 0.95
	littleOfOne = 0.90
)

// headline is the brief in one line.
func (f *facts) headline(b Brief) (text string, quiet bool) {
	n := b.Kept + b.Partial + b.Missed
	share := -1.0
	if b.Watched != nil {
		share = *b.Watched
	}
	worst := -1
	for i, d := range b.Drives {
		if *d.Watched < littleOfOne && (worst < 0 || *d.Watched < *b.Drives[worst].Watched) {
			worst = i
		}
	}
	switch {
	case n > 0:
		text = f.tripLine(b, n)
		if share >= 0 {
			text += " We were watching " + coverage.Percent(share) + f.known() + "."
		}
	case share < 0:
		text = "Not watched: no drive was known in this time, so that nothing can be told of it."
	case share == 0 && f.down():
		text = "Not watched: faultkeep wasn't running in this time. Trips may have gone unseen."
	case share == 0:
		text = "Not watched: no drive could be watched in this time. Trips may have gone unseen."
	case share < littleOfAll && len(b.Drives) != 1 && (worst < 0 || *b.Drives[worst].Watched > share/2):
		text = "Nothing was seen, but we were watching only " + coverage.Percent(share) + f.known() + ". Trips may have gone unseen."
	case worst >= 0 && *b.Drives[worst].Watched == 0:
		text = "Nothing was seen, but " + b.Drives[worst].Title + " wasn't watched at all. Trips of it may have gone unseen."
	case worst >= 0:
		text = "Nothing was seen, but " + b.Drives[worst].Title + " was watched only " + coverage.Percent(*b.Drives[worst].Watched) + " of the time. Trips of it may have gone unseen."
	default:
		text, quiet = "Nothing happened, and we were watching "+coverage.Percent(share)+f.known()+".", true
	}
	return text + urgent(b), quiet
}

// known is the time that shares are of: all of it, or what is known of.
func (f *facts) known() string {
	var most time.Duration
	for _, c := range f.cover {
		most = max(most, c.Counted())
	}
	if f.From.IsZero() || float64(most) >= littleOfAll*float64(f.To.Sub(f.From)) {
		return " of the time"
	}
	return " of the " + lasting(most) + " that faultkeep knows of"
}

// urgent is what can't wait until the brief is read to its end.
func urgent(b Brief) string {
	var out string
	if b.Unknown != "" {
		out += " faultkeep isn't running now."
	}
	if len(b.Now) > 0 {
		names := b.Now[0].Title
		if n := len(b.Now); n == 2 {
			names += " and " + b.Now[1].Title
		} else if n > 2 {
			names += fmt.Sprintf(" and %d others", n-1)
		}
		out += " Not watched now: " + names + "."
	}
	if b.Store.Full {
		out += " The disk is full: no new recordings are kept."
	}
	return out
}

// down tells whether faultkeep was off whenever nobody was watching.
func (f *facts) down() bool {
	for _, c := range f.cover {
		if c.Counted() > 0 && c.Total(coverage.NotRunning) != c.Counted() {
			return false
		}
	}
	return true
}

// tripLine tells of all trips in one or two sentences.
func (f *facts) tripLine(b Brief, n int) string {
	most := slices.MaxFunc(b.Trips, func(x, y Group) int { return cmp.Compare(x.count(), y.count()) })
	var text string
	switch drives := f.byDrive(b.Trips); {
	case n == 1:
		text = most.Title + " tripped at " + f.clock(most.First) + ": " + most.Fault + "."
	case len(b.Trips) == 1:
		text = fmt.Sprintf("%s tripped %d times, %s to %s: %s.", most.Title, n, f.clock(most.First), f.clock(most.Last), most.Fault)
	case most.count()*2 >= n && most.count() > 1:
		text = fmt.Sprintf("%d trips on %s, %d of them %s: %s.", n, plural(len(drives), "drive", "drives"), most.count(), most.Title, most.Fault)
	default:
		text = fmt.Sprintf("%d trips on %s: %s.", n, plural(len(drives), "drive", "drives"), strings.Join(drives[:min(3, len(drives))], ", "))
		if len(drives) > 3 {
			text = strings.TrimSuffix(text, ".") + " and others."
		}
	}
	switch {
	case b.Missed == 1 && n == 1:
		text += " Its recording was missed."
	case b.Missed == n:
		text += " All recordings were missed."
	case b.Missed > 0:
		text += " " + plural(b.Missed, "recording was", "recordings were") + " missed."
	}
	return text
}

// byDrive counts trips by drive: "Bucket elevator (2)", the most first.
func (f *facts) byDrive(groups []Group) []string {
	type tally struct {
		title string
		n     int
	}
	var all []tally
	for _, g := range groups {
		at := slices.IndexFunc(all, func(t tally) bool { return t.title == g.Title })
		if at < 0 {
			at = len(all)
			all = append(all, tally{title: g.Title})
		}
		all[at].n += g.count()
	}
	slices.SortStableFunc(all, func(a, b tally) int { return cmp.Compare(b.n, a.n) })
	out := make([]string, len(all))
	for i, t := range all {
		out[i] = t.title
		if t.n > 1 {
			out[i] = fmt.Sprintf("%s (%d)", t.title, t.n)
		}
	}
	return out
}
