package web

import (
	"context"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"faultkeep/daemon/analysis/align"
	"faultkeep/daemon/report"
	"faultkeep/daemon/web/wire"
	"faultkeep/store/capture"
)

// mostCompared is how many captures can be laid over each other: with more of
// them no curve can be told from the others.
const mostCompared = 12

// comparePage lays captures over each other.
type comparePage struct {
	frame
	Picture template.HTML
	List    []comparedRow
	Shows   []choice
	Aligns  []choice
	Alone   string // why there is nothing to compare
}

type comparedRow struct {
	Swatch      template.HTML
	Number      int
	When, Drive string
	Fault, Href string
	Shift       string // "moved 12 ms later, likeness 0.98"
	Without     string // address of the comparison without it
}

// compare shows the captures that an address names; one alone is shown with the
// latest others of the same drive and fault.
func (s *server) compare(w http.ResponseWriter, r *http.Request) error {
	v := r.URL.Query()
	show := report.CompareShow(v.Get("show"))
	switch show {
	case "":
		show = report.ShowLines
	case report.ShowLines, report.ShowDifference, report.ShowBand:
	default:
		return wire.Say(wire.ErrRequest, `"show" is one of lines, difference, band.`)
	}
	fit := v.Get("align") == "fit"
	if a := v.Get("align"); a != "" && a != "fit" && a != "trigger" {
		return wire.Say(wire.ErrRequest, `"align" is trigger or fit.`)
	}
	from, to, err := stretch(v)
	if err != nil {
		return err
	}
	ids, err := s.comparedIDs(r.Context(), v["id"])
	if err != nil {
		return err
	}
	page := comparePage{frame: s.frame("Compare")}
	var all []report.Compared
	for _, id := range ids {
		c, series, err := s.load(r.Context(), id)
		if err != nil {
			return err
		}
		all = append(all, report.Compared{Capture: c, Series: series})
	}
	likeness := make([]float64, len(all))
	if fit {
		likeness = alignAll(all)
	}
	if len(all) < 2 {
		page.Alone = "There is no other capture of this drive and fault to compare it with."
	}
	page.Picture = template.HTML(report.Compare(all, report.CompareOptions{From: from, To: to, Show: show, Width: 1120})) //nolint:gosec // report escapes every text
	page.fill(s.clock(), all, likeness, v, ids)
	s.show(w, r, http.StatusOK, "compare.html", page)
	return nil
}

// comparedIDs are the captures to compare, the first one first.
func (s *server) comparedIDs(ctx context.Context, asked []string) ([]string, error) {
	var ids []string
	for _, id := range asked {
		if !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	switch {
	case len(ids) == 0:
		return nil, wire.Say(wire.ErrRequest, "No capture is chosen; choose two or more on the overnight page, then compare them.")
	case len(ids) > mostCompared:
		return nil, wire.Say(wire.ErrRequest, "Up to "+strconv.Itoa(mostCompared)+" captures can be compared; choose fewer.")
	case len(ids) > 1:
		return ids, nil
	}
	c, err := s.exactly(ctx, ids[0])
	if err != nil {
		return nil, err
	}
	others, err := s.Store.Captures(ctx, wire.Query{Drive: c.Drive, Fault: c.Fault.ShownCode(), Limit: 6})
	if err != nil {
		return nil, err
	}
	for _, o := range others {
		if o.ID != c.ID && o.Origin == capture.Recorded && len(ids) < 6 {
			ids = append(ids, string(o.ID))
		}
	}
	return ids, nil
}

// alignAll moves every capture but the first to where its channels lie best
// over that one's, up to a tenth of the record either way.
func alignAll(all []report.Compared) []float64 {
	likeness := make([]float64, len(all))
	if len(all) == 0 {
		return likeness
	}
	const points = 1000
	first := all[0]
	begin, end := first.Capture.At(0), first.Capture.At(max(0, longestOf(first.Series)-1))
	step := (end - begin) / points
	if !(step > 0) {
		return likeness
	}
	likeness[0] = 1
	for i := 1; i < len(all); i++ {
		var a, b [][]float64
		for ch, channel := range first.Capture.Channels {
			if k := report.SameChannel(all[i].Capture.Channels, channel); k >= 0 && !channel.Digital() {
				a = append(a, resampled(first, ch, begin, step, points))
				b = append(b, resampled(all[i], k, begin, step, points))
			}
		}
		lag, r := align.Best(a, b, points/10)
		all[i].Shift, likeness[i] = float64(lag)*step, r
	}
	return likeness
}

// resampled are the values of a channel at even times; NaN outside its record.
func resampled(c report.Compared, channel int, begin, step float64, n int) []float64 {
	out := make([]float64, n)
	s := c.Series[channel]
	k := 0
	for i := range out {
		t := begin + float64(i)*step
		for k < len(s) && c.Capture.At(k) < t-step/2 {
			k++
		}
		if k >= len(s) || c.Capture.At(k) > t+step && k == 0 {
			out[i] = math.NaN()
			continue
		}
		out[i] = s[k]
	}
	return out
}

func longestOf(series []capture.Series) (n int) {
	for _, s := range series {
		n = max(n, len(s))
	}
	return n
}

// fill lists what is compared, and the other ways to see it.
func (p *comparePage) fill(clock clock, all []report.Compared, likeness []float64, v url.Values, ids []string) {
	with := func(change func(url.Values)) string {
		q := url.Values{"id": slices.Clone(ids)}
		for _, key := range []string{"show", "align", "from", "to"} {
			if x := v.Get(key); x != "" {
				q.Set(key, x)
			}
		}
		change(q)
		return "/compare?" + q.Encode()
	}
	for _, o := range [][2]string{{"lines", "curves"}, {"difference", "difference from the first"}, {"band", "median and spread"}} {
		p.Shows = append(p.Shows, choice{o[1], with(func(q url.Values) { q.Set("show", o[0]) }), o[0] == v.Get("show") || o[0] == "lines" && v.Get("show") == ""})
	}
	for _, o := range [][2]string{{"trigger", "aligned at the trigger"}, {"fit", "aligned by best fit"}} {
		p.Aligns = append(p.Aligns, choice{o[1], with(func(q url.Values) { q.Set("align", o[0]) }), o[0] == v.Get("align") || o[0] == "trigger" && v.Get("align") == ""})
	}
	for i, c := range all {
		row := comparedRow{Number: i + 1, Swatch: template.HTML(report.CompareSwatch(i)), When: clock.short(c.Capture.Trigger.Time), Drive: c.Capture.Name(), //nolint:gosec // a picture without texts
			Fault: c.Capture.Fault.String(), Href: "/capture/" + url.PathEscape(ids[i])}
		if v.Get("align") == "fit" && i > 0 {
			row.Shift = "moved " + shifted(c.Shift) + ", likeness " + strings.TrimPrefix(report.Value(likeness[i], 2), "+")
		}
		if len(ids) > 2 {
			row.Without = with(func(q url.Values) { q["id"] = slices.Delete(slices.Clone(ids), i, i+1) })
		}
		p.List = append(p.List, row)
	}
}

func shifted(seconds float64) string {
	switch {
	case seconds > 0:
		return interval(seconds) + " later"
	case seconds < 0:
		return interval(-seconds) + " earlier"
	}
	return "not at all"
}
