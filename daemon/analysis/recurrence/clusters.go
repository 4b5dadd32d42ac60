package recurrence

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/mathext"
)

// Cluster is a part of the day or the week in which more events came than the
// watched time in it would make one expect.
type Cluster struct {
	By       string  `json:"by"`             // "time of day", "hour", "weekday" or "shift"
	Name     string  `json:"name"`           // "03:00–04:00", "Monday", "night shift"; of a time of day: the middle, "03:12"
	Events   int     `json:"events"`         // in it; by time of day: all
	Of       int     `json:"of"`             //
	Share    float64 `json:"share"`          // of the watched time in it; by time of day: 1
	P        float64 `json:"p"`              // chance of that by itself
	Adjusted float64 `json:"p_adjusted"`     // of that in any of all the places looked at (Holm)
	Mean     float64 `json:"mean,omitempty"` // by time of day: length of the mean vector, 0 to 1
}

// The looks.
const (
	ByTimeOfDay = "time of day"
	ByHour      = "hour"
	ByWeekday   = "weekday"
	ByShift     = "shift"
)

// Clusters are the found ones, the least likely first. Every hour, weekday and
// shift is tested by the exact binomial test against its share of the watched
// time, and the time of day by Rayleigh's; all of them together are
// corrected for by Holm's method. Events outside the exposure must not be given.
func (e Exposure) Clusters(events []time.Time, o Options) []Cluster {
	looks := e.looks(events, o)
	slices.SortStableFunc(looks, func(a, b Cluster) int { return cmp.Compare(a.P, b.P) })
	found, worst := []Cluster{}, 0.0
	for i, l := range looks {
		worst = max(worst, min(1, l.P*float64(len(looks)-i)))
		l.Adjusted = worst
		if worst > alpha {
			break
		}
		found = append(found, l)
	}
	return found
}

// looks are all tests, found or not.
func (e Exposure) looks(events []time.Time, o Options) []Cluster {
	n := len(events)
	clock := e.Clock(o.zone())
	if n == 0 || clock.total == 0 {
		return nil
	}
	seconds := make([]float64, n)
	var weekdays [7]int
	for i, t := range events {
		local := t.In(o.zone())
		seconds[i] = secondOfDay(local)
		weekdays[local.Weekday()]++
	}
	looks := []Cluster{clock.rayleigh(seconds)}
	stretch := func(by, name string, from, to float64) {
		k := 0
		for _, s := range seconds {
			if within(s, from, to) {
				k++
			}
		}
		looks = append(looks, binomialLook(by, name, k, n, clock.Share(from, to)))
	}
	for h := range 24 {
		stretch(ByHour, fmt.Sprintf("%02d:00–%02d:00", h, (h+1)%24), float64(h*3600), float64(h+1)*3600)
	}
	for d := range weekdays {
		looks = append(looks, binomialLook(ByWeekday, time.Weekday(d).String(), weekdays[d], n, clock.Weekday(time.Weekday(d))))
	}
	for _, s := range o.shifts() {
		stretch(ByShift, s.Name, s.From.Seconds(), s.To.Seconds())
	}
	return looks
}

func within(s, from, to float64) bool {
	if to < from {
		return s >= from || s < to
	}
	return s >= from && s < to
}

func binomialLook(by, name string, k, n int, share float64) Cluster {
	l := Cluster{By: by, Name: name, Events: k, Of: n, Share: share, P: 1}
	if share > 0 { // else what happened there all the same lay on an edge
		l.P = BinomialAtLeast(k, n, share)
	}
	return l
}

// BinomialAtLeast is the chance of k or more of n, each with chance p.
func BinomialAtLeast(k, n int, p float64) float64 {
	switch {
	case k <= 0 || k <= n && p >= 1:
		return 1
	case k > n || !(p > 0):
		return 0
	}
	return mathext.RegIncBeta(float64(k), float64(n-k+1), p)
}

// rayleigh tests whether events gather at one time of day. Watching isn't
// even, so a time of day stands for the share of the watched time before it:
// that is uniform where events don't care.
func (c *Clock) rayleigh(seconds []float64) Cluster {
	var flat, wall []float64
	for _, s := range seconds {
		flat = append(flat, 2*math.Pi*c.before(s)/c.total)
		wall = append(wall, 2*math.Pi*s/day)
	}
	_, mean, p := Rayleigh(flat)
	middle, _, _ := Rayleigh(wall)
	minutes := int(math.Round(middle/(2*math.Pi)*24*60)) % (24 * 60)
	return Cluster{By: ByTimeOfDay, Name: fmt.Sprintf("%02d:%02d", minutes/60, minutes%60),
		Events: len(seconds), Of: len(seconds), Share: 1, P: p, Mean: mean}
}

// Rayleigh tests angles, in radians, for one direction that they prefer:
// direction from 0 to 2π, length of the mean vector from 0 to 1, and the chance of
// a vector as long by itself, approximately (Zar, Biostatistical Analysis, the
// chapter on circular distributions).
func Rayleigh(angles []float64) (direction, mean, p float64) {
	n := float64(len(angles))
	if n == 0 {
		return 0, 0, 1
	}
	var x, y float64
	for _, a := range angles {
		x += math.Cos(a)
		y += math.Sin(a)
	}
	length := min(n, math.Hypot(x, y))
	direction = math.Mod(math.Atan2(y, x)+2*math.Pi, 2*math.Pi)
	p = math.Exp(math.Sqrt(1+4*n+4*(n*n-length*length)) - (1 + 2*n))
	return direction, length / n, min(1, p)
}
