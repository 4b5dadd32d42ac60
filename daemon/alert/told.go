package alert

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"faultkeep/store/capture"
)

// Told is the alert as its sink hears of it: where the message stands for
// several, its text counts them first.
func Told(m capture.Message, zone *time.Location) capture.Alert {
	a := m.Alert
	if a.Seen > 1 {
		a.Text += fmt.Sprintf(" Looks like %s since %s.", plural(a.Seen-1, "one other", fmt.Sprintf("%d others", a.Seen-1)), a.Since.In(zone).Format("2 January"))
	}
	if n := m.Total(); n > 1 {
		a.Text = fmt.Sprintf("%s, between %s. The last one: %s", counted(m), stretch(a.First.In(zone), a.Time.In(zone)), a.Text)
	}
	if m.Lost > 0 {
		a.Text += fmt.Sprintf(" Of these, %d had messages of their own, for which the outbox had no room while nothing was taken here.", m.Lost)
	}
	if strings.HasPrefix(m.Fold, "quiet ") {
		why := ""
		if m.Why != "" {
			why = " (" + strings.TrimSuffix(m.Why, ".") + ")"
		}
		a.Text = fmt.Sprintf("In the quiet time that ended %s%s: %s", m.Hold.In(zone).Format("15:04"), why, a.Text)
	}
	return a
}

// stretch is from when to when, with dates where there are two.
func stretch(from, to time.Time) string {
	layout := "15:04"
	if from.YearDay() != to.YearDay() || from.Year() != to.Year() {
		layout = "2 Jan 15:04"
	}
	return from.Format(layout) + " and " + to.Format(layout)
}

// counted tells how many there were of what: "Bucket elevator tripped 24
// times, Continuous overcurrent, output 1 (2311): 20 kept whole, 3 in part, 1 missed".
func counted(m capture.Message) string {
	a := m.Alert
	whole, part, miss := m.Kinds[capture.KindCapture], m.Kinds[capture.KindPartial], m.Kinds[capture.KindMiss]
	trips := whole + part + miss
	other := m.Total() - trips
	if trips == 0 {
		who := named(a)
		if who != "" && !strings.HasPrefix(m.Fold, "quiet ") {
			who += ": "
		} else {
			who = ""
		}
		return fmt.Sprintf("%s%d alerts%s", who, other, kinds(m))
	}
	var became []string
	for _, k := range []struct {
		n    int
		what string
	}{{whole, "kept whole"}, {part, "kept in part"}, {miss, "missed"}} {
		if k.n > 0 {
			became = append(became, fmt.Sprintf("%d %s", k.n, k.what))
		}
	}
	if quiet := strings.HasPrefix(m.Fold, "quiet "); quiet { // of several drives and faults
		text := fmt.Sprintf("%d trips, %s", trips, strings.Join(became, ", "))
		if trips == 1 {
			text = "one trip, " + strings.TrimPrefix(became[0], "1 ")
		}
		if other > 0 {
			text += fmt.Sprintf(", and %d other %s%s", other, plural(other, "alert", "alerts"), kinds(m))
		}
		return text
	}
	return fmt.Sprintf("%s tripped %d times, %s: %s", named(a), trips, a.Fault, strings.Join(became, ", "))
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

func named(a capture.Alert) string { return cmp.Or(a.Title, a.Drive) }

// kinds names what other alerts were about, in the order of capture.Kinds.
func kinds(m capture.Message) string {
	words := map[capture.Kind]string{
		capture.KindBlind: "not watched", capture.KindDrift: "settings drifted", capture.KindRace: "race at risk",
		capture.KindClock: "the clock", capture.KindDisk: "the disk", capture.KindDamage: "the store damaged",
	}
	var out []string
	for _, kind := range capture.Kinds {
		if n, word := m.Kinds[kind], words[kind]; n > 0 && word != "" {
			out = append(out, word)
		}
	}
	if len(out) == 0 {
		return ""
	}
	return " (" + strings.Join(out, ", ") + ")"
}
