package recurrence

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

func (r Report) words(o Options) []string {
	out := []string{r.rateWords()}
	if r.Outside > 0 && r.Rate != nil {
		out = append(out, fmt.Sprintf("%d more came while nobody was watching; the rate doesn't count %s.", r.Outside, plural(r.Outside, "it", "them")))
	}
	if r.Events == 0 {
		return out
	}
	if r.Events < fewest {
		return append(out, fmt.Sprintf("%s %s too few to tell a trend or a habit.", trips(r.Events), plural(r.Events, "is", "are")))
	}
	if r.Trend != nil {
		out = append(out, r.trendWords())
	}
	if len(r.Clusters) == 0 {
		out = append(out, "No hour, weekday or shift stands out.")
	}
	for _, c := range r.Clusters {
		out = append(out, c.words(o.zone()))
	}
	for _, b := range r.Bursts {
		out = append(out, b.words(o.zone()))
	}
	return out
}

func (r Report) rateWords() string {
	switch {
	case r.Rate == nil && r.Outside == 0:
		return "Nothing was watched, so there is no rate."
	case r.Rate == nil:
		return fmt.Sprintf("Nothing was watched, so there is no rate; %s %s known of.", trips(r.Outside), plural(r.Outside, "is", "are"))
	case r.Events == 0:
		return fmt.Sprintf("No trip in %s watched: 95 %% sure of less than one in %s.", days(r.Watched), days(r.Rate.MTBFLow))
	}
	return fmt.Sprintf("%s in %s watched: one in %s (95 %% bounds %s to %s).", trips(r.Events), days(r.Watched),
		days(r.Rate.MTBF), days(r.Rate.MTBFLow), days(r.Rate.MTBFHigh))
}

func (r Report) trendWords() string {
	t := r.Trend
	if t.P > alpha {
		return fmt.Sprintf("No trend can be told (Laplace U = %s, by chance in %s).", signed(t.U), cases(t.P))
	}
	way := "They come more and more often"
	if t.U < 0 {
		way = "They become rarer"
	}
	s := fmt.Sprintf("%s (Laplace U = %s, by chance in %s)", way, signed(t.U), cases(t.P))
	law := r.PowerLaw
	switch {
	case law == nil:
		return s + "."
	case !law.Fits:
		return s + fmt.Sprintf("; no power law fits (Cramér–von Mises %s, at most %s), so where it leads can't be told.",
			figure(law.Misfit, 2), figure(law.Critical, 3))
	case law.MTBFHigh == 0:
		return s + fmt.Sprintf(": by now one in %s (at least %s).", days(law.MTBF), days(law.MTBFLow))
	}
	return s + fmt.Sprintf(": by now one in %s (95 %% bounds, approximate, %s to %s).", days(law.MTBF), days(law.MTBFLow), days(law.MTBFHigh))
}

func (c Cluster) words(zone *time.Location) string {
	chance := fmt.Sprintf("by chance in %s, everything looked at considered", cases(c.Adjusted))
	if c.By == ByTimeOfDay {
		return fmt.Sprintf("They gather about %s (%s): %s.", c.Name, zone, chance)
	}
	where := "on a " + c.Name
	switch c.By {
	case ByHour:
		from, to, _ := strings.Cut(c.Name, "–")
		where = fmt.Sprintf("between %s and %s (%s)", from, to, zone)
	case ByShift:
		where = "in the " + c.Name
	}
	return fmt.Sprintf("%d of %d came %s, in which %s of the watched time lies: %s.", c.Events, c.Of, where, percent(c.Share), chance)
}

func (b Burst) words(zone *time.Location) string {
	from, to := b.From.In(zone), b.To.In(zone)
	format := "2 January 2006 15:04"
	if from.Format(time.DateOnly) == to.Format(time.DateOnly) {
		format = "15:04"
	}
	return fmt.Sprintf("%d came in a burst, %s to %s: by chance in %s.", b.Events, from.Format("2 January 2006 15:04"), to.Format(format), cases(b.Adjusted))
}

func (r Repair) words() []string {
	if !r.OK {
		side := "since the repair"
		if !(r.DaysBefore > 0) {
			side = "before the repair"
		}
		return []string{fmt.Sprintf("Nothing was watched %s, so nothing can be said about it.", side)}
	}
	out := []string{fmt.Sprintf("%s in %s watched before the repair, %s in %s watched since.",
		trips(r.EventsBefore), days(r.DaysBefore), none(r.EventsAfter), days(r.DaysAfter))}
	if r.Outside > 0 {
		out = append(out, fmt.Sprintf("%d more came while nobody was watching and %s count.", r.Outside, plural(r.Outside, "doesn't", "don't")))
	}
	switch {
	case r.EventsBefore == 0:
		return append(out, "Without a trip before the repair, the count can't tell whether it helped.")
	case r.Worse <= alpha/2:
		return append(out, fmt.Sprintf("They come more often since: %s times as often (95 %% bounds %s to %s), by chance in %s.",
			figure(*r.Ratio, 2), figure(r.RatioLow, 2), figure(r.RatioHigh, 2), cases(r.Worse)))
	}
	what := "so few"
	if r.EventsAfter == 0 {
		what = "such a quiet time"
	}
	out = append(out, fmt.Sprintf("Had the repair changed nothing, %s would come by luck in %s.", what, cases(r.Luck)))
	return append(out, r.sureWords())
}

func (r Repair) sureWords() string {
	switch {
	case r.Luck <= 0.05:
		return fmt.Sprintf("That trips have become rarer is more than 95 %% sure: the rate is at most %s of what it was.", percent(r.RatioMost))
	case r.More95 == nil || r.More90 == nil:
		return "No number of quiet days makes that sure."
	case r.Luck <= 0.10:
		return fmt.Sprintf("That trips have become rarer is more than 90 %% sure; %s more watched without a trip make it 95 %%.", days(*r.More95))
	}
	return fmt.Sprintf("%s more watched without a trip make it 90 %% sure that trips have become rarer, %s more make it 95 %%.",
		days(*r.More90), days(*r.More95))
}

func trips(n int) string {
	switch n {
	case 0:
		return "No trip"
	case 1:
		return "1 trip"
	}
	return strconv.Itoa(n) + " trips"
}

func none(n int) string {
	if n == 0 {
		return "none"
	}
	return strconv.Itoa(n)
}

func plural(n int, one, more string) string {
	if n == 1 {
		return one
	}
	return more
}

// days is a time in days, or in what else it is best told.
func days(d float64) string {
	for _, u := range []struct {
		days  float64
		least float64
		one   string
	}{{1, 2, "days"}, {1.0 / 24, 2, "h"}, {1.0 / 1440, 2, "min"}} {
		if v := d / u.days; v >= u.least {
			return figure(v, 2) + " " + u.one
		}
	}
	return figure(d*day, 2) + " s"
}

// cases is a chance in words.
func cases(p float64) string {
	switch {
	case p >= 0.001:
		return percent(p) + " of cases"
	case p < 1e-9:
		return "less than 1 of 1,000,000,000 cases"
	}
	return "1 of " + figure(1/p, 1) + " cases"
}

func percent(p float64) string { return figure(100*p, 2) + " %" }

func signed(v float64) string {
	if v < 0 {
		return "−" + figure(-v, 2)
	}
	return figure(v, 2)
}

// figure is a number, 0 or more, with at least so many digits that count, and
// commas between thousands.
func figure(v float64, digits int) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	place := digits - 1 - int(math.Floor(math.Log10(v)))
	if place < 0 && v >= 10000 { // whole numbers of thousands are estimates
		unit := math.Pow(10, float64(-place))
		v = math.Round(v/unit) * unit
	}
	s := strconv.FormatFloat(v, 'f', max(0, place), 64)
	for at := len(s) - 3; max(0, place) == 0 && at > 0; at -= 3 {
		s = s[:at] + "," + s[at:]
	}
	return s
}
