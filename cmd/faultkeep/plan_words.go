package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	recorder "faultkeep/daemon/analysis/plan"
	"faultkeep/daemon/report"
	"faultkeep/sources/modbus/regmap"
)

// planWords is an answer in words.
type planWords struct {
	ask    recorder.Ask
	answer recorder.Answer
	m      *regmap.Map // nil: there is none
}

func (w planWords) write(to io.Writer) error {
	fmt.Fprintf(to, "Wanted: %s.\n", w.wanted())
	switch {
	case w.answer.Plan != nil:
		fmt.Fprint(to, "It can be had:\n\n")
		if err := table(to, w.rows(*w.answer.Plan)); err != nil {
			return err
		}
	default:
		fmt.Fprint(to, "⚑ Not all of it can be had together.\n")
		for _, c := range w.answer.Conflicts {
			fmt.Fprintf(to, "  %s\n", c)
		}
		switch {
		case len(w.answer.Trades) == 0:
			fmt.Fprint(to, "\nNo one or two changes make it possible: ask for less of several things at once.\n")
		default:
			fmt.Fprint(to, "\nWhat could be had instead, fewest changes first:\n")
		}
		for i, t := range w.answer.Trades {
			fmt.Fprintf(to, "\n%d. %s\n", i+1, sentences(t.Changes...))
			if err := table(to, w.rows(t.Plan)); err != nil {
				return err
			}
		}
	}
	for _, c := range cautions(w.answer) {
		fmt.Fprintf(to, "\n%s\n", wrapped(c, 100))
	}
	return nil
}

// wanted is what was asked for, without what the recorder is.
func (w planWords) wanted() string {
	a := w.ask
	s := fmt.Sprintf("%s, %s before and %s after the trigger", counted(a.Channels, "channel"), recorder.Span(a.Before), recorder.Span(a.After))
	if a.Frequency > 0 {
		s += fmt.Sprintf(", judged by %s up to %s", a.Use, recorder.Hertz(a.Frequency))
	}
	return s
}

// rows are a plan's numbers, a heading each.
func (w planWords) rows(p recorder.Plan) [][]string {
	rows := [][]string{
		{"  set", fmt.Sprintf("%s, a sample every %s, %s of each, pre-trigger share %s %%", counted(p.Channels, "channel"), recorder.Span(p.Interval),
			samples(p.Samples), strconv.FormatFloat(p.Share, 'g', 6, 64))},
		{"  shows", fmt.Sprintf("%s: %s before and %s after the trigger", recorder.Span(p.Duration), recorder.Span(p.Before), recorder.Span(p.After))},
		{"  judged", fmt.Sprintf("by shape up to %s, by spectrum up to %s in steps of %s; nothing above %s", recorder.Hertz(p.ShapeTo), recorder.Hertz(p.SpectrumTo),
			recorder.Hertz(p.Resolution), recorder.Hertz(p.Nyquist))},
	}
	for i, r := range p.Rounded {
		heading := ""
		if i == 0 {
			heading = "  rounded"
		}
		rows = append(rows, []string{heading, r})
	}
	return append(rows, []string{"  pull", w.pull(p)}, []string{"  race", race(p)})
}

func samples(n int) string {
	if n == 1 {
		return "1 sample"
	}
	return recorder.Count(n) + " samples"
}

func (w planWords) pull(p recorder.Plan) string {
	s := recorder.Count(p.Requests) + " requests"
	if p.Connections > 1 {
		s += fmt.Sprintf(" over %d connections", p.Connections)
	}
	if p.Pull > 0 {
		s += fmt.Sprintf(", %s each: %s", recorder.Span(w.ask.Race.RoundTrip), recorder.Span(p.Pull))
	} else {
		s += "; with --round-trip, which check --probe measures, it can be told how long they take"
	}
	switch {
	case w.m == nil:
		s += "; counted for samples in plain registers, since no map says how they lie"
	case w.m.Data.Layout == regmap.Window && p.Pull > 0:
		s += ", and longer if the drive is slow to turn its pages"
	}
	return s
}

// race says which reset a pull beats.
func race(p recorder.Plan) string {
	if p.Pull == 0 {
		return fmt.Sprintf("a poll of %s and a commit of %s come on top of the pull", recorder.Span(p.Poll), recorder.Span(p.Commit))
	}
	s := fmt.Sprintf("poll %s + pull %s + commit %s: a reset later than %s after the recording is ready loses nothing",
		recorder.Span(p.Poll), recorder.Span(p.Pull), recorder.Span(p.Commit), recorder.Span(p.Need))
	if p.Raced {
		s += fmt.Sprintf("; it stands %s, %s to spare", recorder.Span(p.Stands), recorder.Span(p.Margin()))
	}
	return s
}

// cautions are what must be known before anybody acts on an answer.
func cautions(a recorder.Answer) []string {
	out := []string{}
	switch {
	case a.Plan != nil:
		out = append(out, a.Plan.Aliasing())
	case len(a.Trades) > 0:
		out = append(out, a.Trades[0].Plan.Aliasing())
	}
	return append(out, recorder.Caution)
}

// wrapped breaks a text into lines of at most width characters.
func wrapped(s string, width int) string {
	var b strings.Builder
	line := 0
	for i, word := range strings.Fields(s) {
		n := len([]rune(word))
		switch {
		case i == 0:
		case line+1+n > width:
			b.WriteByte('\n')
			line = 0
		default:
			b.WriteByte(' ')
			line++
		}
		b.WriteString(word)
		line += n
	}
	return b.String()
}

// planPicture draws what was wanted and what can be had.
func planPicture(ask recorder.Ask, answer recorder.Answer) []byte {
	rows := []report.PlanRow{{Name: "Wanted", Text: planWords{ask: ask}.wanted(), Before: ask.Before.Seconds(), After: ask.After.Seconds(),
		Empty: true, Stands: math.NaN()}}
	if answer.Plan != nil {
		rows = append(rows, planRow("Can be had", "", *answer.Plan))
	}
	for i, t := range answer.Trades {
		rows = append(rows, planRow(fmt.Sprintf("%d.", i+1), " "+sentences(t.Changes...), t.Plan))
	}
	return report.PlanPicture("Settings for a recorder", rows)
}

func planRow(name, text string, p recorder.Plan) report.PlanRow {
	r := report.PlanRow{Name: name, Before: p.Before.Seconds(), After: p.After.Seconds(), Stands: math.NaN(),
		Text: fmt.Sprintf("a sample every %s.", recorder.Span(p.Interval)) + text}
	if p.Need > 0 {
		r.Poll, r.Pull, r.Commit = p.Poll.Seconds(), p.Pull.Seconds(), p.Commit.Seconds()
	}
	if p.Raced {
		r.Stands = p.Stands.Seconds()
	}
	return r
}
