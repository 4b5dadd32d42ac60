package likeness

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"faultkeep/store/capture"
)

const basis = "Pictures of the seconds before the trigger and what follows at once, each channel's deviation from its usual state " +
	"made the same size, compared by the cosine at the best small shift, and more or less alike by the candidate causes that stand out in them. Candidates, no diagnosis."

// Finding is the placement as a sentence. Dates are those of the zone; nil is UTC.
func (p Placement) Finding(zone *time.Location) capture.Finding {
	if p.Why != "" {
		return capture.Finding{Kind: capture.FindingUnable, Name: "likeness", Text: "Likeness: " + p.Why + ", so it can't be compared with others."}
	}
	if zone == nil {
		zone = time.UTC
	}
	f := capture.Finding{Kind: capture.FindingAlike, Name: p.Family, From: edge(0), To: edge(bins), Basis: basis}
	if len(p.Alike) > 0 {
		f.Values = append(f.Values, capture.Quantity{Name: "likeness", Value: p.Alike[0].Likeness})
	}
	switch {
	case p.Others == 0:
		f.Name = "first"
		f.Text = fmt.Sprintf("The first capture of %s on drives of this type: there is nothing to compare it with.", faultWords(p.fault))
	case p.Family == "":
		f.Name = "none"
		f.Text = fmt.Sprintf("Unlike any other of %s of %s on drives of this type; the nearest is %s.",
			captures(p.Others), faultWords(p.fault), p.Alike[0].words(zone))
	default:
		f.Values = append(f.Values, capture.Quantity{Name: "seen", Value: float64(p.Count)})
		f.Text = fmt.Sprintf("Seen %d times since %s, family %s; most alike: %s.", p.Count, p.First.In(zone).Format("2 January 2006"), p.Family, p.Alike[0].words(zone))
	}
	f.Text += p.kin()
	return f
}

// kin tells what looks alike under other fault codes.
func (p Placement) kin() string {
	var names []string
	for _, k := range p.Kin[:min(len(p.Kin), mostMatches)] {
		if k.Family == "" {
			names = append(names, string(k.Members[0]))
			continue
		}
		names = append(names, fmt.Sprintf("family %s (%s)", k.Family, captures(len(k.Members))))
	}
	if more := len(p.Kin) - len(names); more > 0 {
		names = append(names, strconv.Itoa(more)+" more")
	}
	switch n := len(names); n {
	case 0:
		return ""
	case 1:
		return " Of other faults, " + names[0] + " looks alike."
	default:
		return " Of other faults, " + strings.Join(names[:n-1], ", ") + " and " + names[n-1] + " look alike."
	}
}

func (m Match) words(zone *time.Location) string {
	return fmt.Sprintf("%s of %s (likeness %.2f of 1)", m.ID, m.Time.In(zone).Format("2 January 2006 15:04"), m.Likeness)
}

func faultWords(f capture.Fault) string {
	if c := code(f); c != none {
		return "fault " + c
	}
	return "no fault"
}

func captures(n int) string {
	if n == 1 {
		return "1 capture"
	}
	return strconv.Itoa(n) + " captures"
}

func decimal(code uint32) string { return strconv.FormatUint(uint64(code), 10) }
