package demo

import (
	"fmt"
	"strings"
	"time"
)

// Summary is how a run ended.
type Summary struct {
	Seed     uint64  `json:"seed"`
	Duration float64 `json:"duration_s"` // until no new trips came

	Recordings  int    `json:"recordings"`   // that the drives made
	Winnable    int    `json:"winnable"`     // of them: see Judge
	Kept        int    `json:"kept"`         // whole, every byte as the drive served it
	Partial     int    `json:"partial"`      // kept in part only
	Misses      int    `json:"misses"`       // told
	BlindSpells int    `json:"blind_spells"` // told
	Alerts      Alerts `json:"alerts"`

	Mixed   int      `json:"mixed"`   // captures with a byte of another recording
	Untold  int      `json:"untold"`  // incidents that nothing tells of
	Doubled int      `json:"doubled"` // captures of a recording that another has whole
	Damaged int      `json:"damaged"` // things that verify found wrong
	Lucky   int      `json:"lucky"`   // kept whole, though gone sooner than a pull is sure to take
	OK      bool     `json:"ok"`      // every winnable recording kept whole, every alert accepted, every promise kept
	Lost    []string `json:"lost"`    // what was lost and why, a sentence each
}

// Alerts counts each alert once, to however many sinks it went.
type Alerts struct {
	Raised   int `json:"raised"`
	Accepted int `json:"accepted"` // by every sink
	Retried  int `json:"retried"`  // of them: by the control room only at a further try
}

func (s *Summary) judge(v Verdict) {
	s.Recordings, s.Winnable, s.Kept, s.Partial = v.Recordings, v.Winnable, v.Kept, v.Partial
	s.Mixed, s.Untold, s.Doubled, s.Lucky = v.Mixed, v.Untold, v.Doubled, v.Lucky
	for _, l := range v.Lost {
		s.Lost = append(s.Lost, l.String())
	}
}

// settle decides whether all is well.
func (s *Summary) settle() {
	if n := s.Alerts.Raised - s.Alerts.Accepted; n > 0 {
		s.Lost = append(s.Lost, fmt.Sprintf("%s not accepted by every sink.", count(n, "alert was", "alerts were")))
	}
	s.OK = s.Winnable == s.Kept && s.Mixed == 0 && s.Untold == 0 && s.Damaged == 0 && len(s.Lost) == 0
}

// Text is the summary for people.
func (s Summary) Text() string {
	var b strings.Builder
	line := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	line("%s at Northquay, seed %d:", seconds(time.Duration(s.Duration*float64(time.Second))), s.Seed)
	line("  %s made, %d winnable, %d kept whole, %d in part", count(s.Recordings, "recording", "recordings"), s.Winnable, s.Kept, s.Partial)
	line("  %s, %s", count(s.Misses, "miss", "misses"), count(s.BlindSpells, "blind spell", "blind spells"))
	line("  %s raised, %d accepted, %d of them at a further try", count(s.Alerts.Raised, "alert", "alerts"), s.Alerts.Accepted, s.Alerts.Retried)
	for _, l := range s.Lost {
		line("  %s", l)
	}
	if s.OK {
		line("Every winnable recording was kept whole, and every alert was accepted.")
	} else {
		line("Not everything that could be kept was kept and told.")
	}
	return b.String()
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
