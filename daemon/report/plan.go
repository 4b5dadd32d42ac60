package report

import (
	"fmt"
	"math"
	"strings"
)

// PlanRow is one way to set a recorder.
type PlanRow struct {
	Name string // such as "wanted"
	Text string // what it means, in figures

	Before, After float64 // seconds around the trigger
	Empty         bool    // only wanted: an outline

	Poll, Pull, Commit float64 // seconds of the race, one after the other; all 0: not known
	Stands             float64 // seconds from ready to the reset; NaN: not known
}

func (r PlanRow) need() float64 { return r.Poll + r.Pull + r.Commit }

const (
	planRow   = 40 // a line of text and a bar
	planBar   = 12
	planText  = 14 // of the text's base line from the row's top
	planWidth = 900
)

// PlanPicture draws ways to set a recorder: what each records around the
// trigger, and where it is known the race from the moment that the recording is
// ready: waiting for the next poll (thin), the pull (thick), the commit (dark),
// and the reset as a rule. It is a file of its own, with styles and title.
func PlanPicture(title string, rows []PlanRow) []byte {
	var races []PlanRow
	before, after, longest := 0.0, 0.0, 0.0
	for _, r := range rows {
		before, after = math.Max(before, r.Before), math.Max(after, r.After)
		if r.need() > 0 {
			races = append(races, r)
			longest = math.Max(longest, math.Max(r.need(), zeroIfNone(r.Stands)))
		}
	}
	if before+after <= 0 {
		after = 1
	}
	height := header + len(rows)*planRow + axis
	raceTop := height + between
	if len(races) > 0 {
		height = raceTop + header + len(races)*planRow + axis
	}
	s := &svg{}
	s.f(`<svg xmlns="http://www.w3.org/2000/svg" class="fk watch plan" width="%d" height="%d" role="img" aria-labelledby="plan-t plan-d"><title id="plan-t">%s</title><desc id="plan-d">%s</desc>`,
		planWidth, height, title, describePlan(rows))
	s.f(`<style>%s</style><rect class="paper" width="100%%" height="100%%"/>`, CSS)
	s.planBars(rows, before, after)
	if len(races) > 0 {
		s.planRaces(races, raceTop, longest)
	}
	s.WriteString("</svg>")
	return s.Bytes()
}

func zeroIfNone(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return math.Max(0, x)
}

// planBars draws what is recorded, on one scale of time with zero at the trigger.
func (s *svg) planBars(rows []PlanRow, before, after float64) {
	end := header + len(rows)*planRow
	place := func(t float64) at { return at((t + before) / (before + after)) }
	s.f(`<rect class="pre" x="0" y="%d" width="%v" height="%d"/>`, header, place(0), end-header)
	s.f(`<text class="mute" x="4" y="%d">Recorded around the trigger</text>`, planText)
	s.planAxis(-before, after, header, end, place)
	for i, r := range rows {
		y := header + i*planRow
		s.planLabel(r.Name, r.Text, y)
		class := "seen"
		if r.Empty {
			class = "blank"
		}
		from, to := place(-r.Before), place(r.After)
		s.f(`<rect class="%s" x="%v" width="%v" y="%d" height="%d"/>`, class, from, to-from, y+planText+6, planBar)
	}
	s.f(`<line class="trigger" x1="%v" x2="%v" y1="%d" y2="%d"/>`, place(0), place(0), header, end+4)
}

// planRaces draws the races, on one scale of time from ready.
func (s *svg) planRaces(rows []PlanRow, top int, longest float64) {
	place := func(t float64) at { return at(t / (longest * 1.02)) }
	first := top + header
	end := first + len(rows)*planRow
	s.f(`<text class="mute" x="4" y="%d">From ready until it is kept: poll, pull, commit; the rule is the reset</text>`, top+planText)
	s.planAxis(0, longest, first, end, place)
	for i, r := range rows {
		y := first + i*planRow
		text := "needs " + Value(r.need(), 3) + " s"
		if !math.IsNaN(r.Stands) {
			text += ", stands " + Value(r.Stands, 3) + " s"
		}
		s.planLabel(r.Name, text, y)
		bar := y + planText + 6
		rect := func(class string, from, to float64, y, height int) {
			s.f(`<rect class="%s" x="%v" width="%v" y="%d" height="%d"/>`, class, place(from), place(to)-place(from), y, height)
		}
		rect("seen", 0, r.Poll, bar+planBar/2-1, 2)
		rect("seen", r.Poll, r.Poll+r.Pull, bar, planBar)
		rect("on", r.Poll+r.Pull, r.need(), bar, planBar)
		if !math.IsNaN(r.Stands) {
			s.f(`<rect class="on" x="%v" width="2" y="%d" height="%d"/>`, place(math.Max(0, r.Stands)), bar-4, planBar+8)
		}
	}
}

// planLabel writes a row's name and figures.
func (s *svg) planLabel(name, text string, y int) {
	s.f(`<text class="said" x="4" y="%d"><tspan class="name">%s</tspan> %s</text>`, y+planText+1, name, cut(text, 120))
}

func (s *svg) planAxis(from, to float64, top, end int, place func(float64) at) {
	times, decimals := ticks(from, to, 8)
	for _, t := range times {
		s.f(`<line class="grid" x1="%v" x2="%v" y1="%d" y2="%d"/>`, place(t), place(t), top, end+4)
		if x := place(t); x < 0.95 {
			s.f(`<text class="time" x="%v" dx="3" y="%d">%s s</text>`, x, end+planText+2, signed(t, decimals))
		}
	}
}

// describePlan is the picture in words.
func describePlan(rows []PlanRow) string {
	var b strings.Builder
	for i, r := range rows {
		if i > 0 {
			b.WriteByte(' ')
		}
		fmt.Fprintf(&b, "%s: %s s before and %s s after the trigger", r.Name, Value(r.Before, 4), Value(r.After, 4))
		if r.Text != "" {
			fmt.Fprintf(&b, ", %s", r.Text)
		}
		if r.need() > 0 {
			fmt.Fprintf(&b, "; to keep it takes %s s after it is ready", Value(r.need(), 3))
			if !math.IsNaN(r.Stands) {
				fmt.Fprintf(&b, ", the reset comes after %s s", Value(r.Stands, 3))
			}
		}
		b.WriteByte('.')
	}
	return b.String()
}
