package demo

import (
	"fmt"
	"strings"
	"time"
)

// Summary is how a run ended.
type Summary struct {
	Seed        uint64  `json:"seed"`
	Duration    float64 `json:"duration_s"` // while trips could come
	Trips       int     `json:"trips"`
	Recordings  int     `json:"recordings"`   // that became ready
	Winnable    int     `json:"winnable"`     // of these: stood long enough to be kept for certain
	Kept        int     `json:"kept"`         // whole, every byte as the drive served it
	Partial     int     `json:"partial"`      // kept in part only
	Misses      int     `json:"misses"`       // told
	BlindSpells int     `json:"blind_spells"` // told
	Alerts      Alerts  `json:"alerts"`

	Retried   int         `json:"retried"`   // alerts that the control room took only at a further try
	Mixed     int         `json:"mixed"`     // captures with a byte of another recording
	Untold    int         `json:"untold"`    // trips that nothing tells of
	Doubled   int         `json:"doubled"`   // captures of a recording that another has whole
	Unfounded int         `json:"unfounded"` // misses that tell of no trip that left nothing
	Damaged   int         `json:"damaged"`   // things that verify found wrong
	Stalled   float64     `json:"stalled_s"` // in which this computer let drives and faultkeep stand still
	Requests  int         `json:"requests"`  // that the drives were sent, polls included
	Drives    []DriveLine `json:"drives"`
	Lost      []string    `json:"lost"`   // winnable recordings that weren't kept whole, a sentence each
	Faults    []string    `json:"faults"` // and whatever else must not be
	OK        bool        `json:"ok"`     // every promise was kept
}

// Alerts counts each alert once, to however many sinks it went.
type Alerts struct {
	Raised   int `json:"raised"`
	Accepted int `json:"accepted"` // by every sink
}

// DriveLine is one drive's part in the summary.
type DriveLine struct {
	Name       string  `json:"name"`
	Trips      int     `json:"trips"`
	Recordings int     `json:"recordings"`
	Winnable   int     `json:"winnable"`
	Kept       int     `json:"kept"`
	Partial    int     `json:"partial"`
	Misses     int     `json:"misses"`
	Need       float64 `json:"need_s"` // for which its recordings must stand to be winnable
}

// add adds one drive.
func (s *Summary) add(d *Simulated, e Evidence, v Verdict) {
	s.Drives = append(s.Drives, DriveLine{Name: d.Spec.Name, Trips: v.Trips, Recordings: v.Recordings, Winnable: v.Winnable,
		Kept: v.Kept, Partial: v.Partial, Misses: v.Misses, Need: e.Need.Round(time.Millisecond).Seconds()})
	s.Trips += v.Trips
	s.Recordings += v.Recordings
	s.Winnable += v.Winnable
	s.Kept += v.Kept
	s.Partial += v.Partial
	s.Misses += v.Misses
	s.BlindSpells += v.Spells
	s.Mixed += v.Mixed
	s.Untold += v.Untold
	s.Doubled += v.Doubled
	s.Unfounded += v.Unfounded
	s.Lost = append(s.Lost, v.Lost...)
	s.Faults = append(s.Faults, v.Faults...)
}

// conclude decides whether all is well.
func (s *Summary) conclude() {
	if n := s.Alerts.Raised - s.Alerts.Accepted; n > 0 {
		s.Faults = append(s.Faults, fmt.Sprintf("%s not accepted by every sink.", times(n, "alert was", "alerts were")))
	}
	s.OK = len(s.Lost) == 0 && len(s.Faults) == 0
	if s.Lost == nil {
		s.Lost = []string{}
	}
	if s.Faults == nil {
		s.Faults = []string{}
	}
}

// Text is the summary for people.
func (s Summary) Text() string {
	var b strings.Builder
	line := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	line("")
	line("%s watched for %s, seed %d: %s.", times(len(s.Drives), "drive", "drives"), short(time.Duration(s.Duration*float64(time.Second))),
		s.Seed, times(s.Trips, "trip", "trips"))
	line("%s became ready: %d kept whole, %d in part. %d could be won.", times(s.Recordings, "recording", "recordings"), s.Kept, s.Partial, s.Winnable)
	line("%s and %s told. %s raised, %d accepted, %d of them at a further try.", times(s.Misses, "miss", "misses"),
		times(s.BlindSpells, "blind spell", "blind spells"), times(s.Alerts.Raised, "alert", "alerts"), s.Alerts.Accepted, s.Retried)
	if s.Stalled > 0 {
		line("This computer let everything stand still for %s, in which no drive could be read.", short(time.Duration(s.Stalled*float64(time.Second))))
	}
	for _, text := range s.Lost {
		line("Lost: %s", text)
	}
	for _, text := range s.Faults {
		line("%s", text)
	}
	if s.OK {
		line("Every winnable recording was kept whole, and every alert was accepted.")
	}
	return b.String()
}
