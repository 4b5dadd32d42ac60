package metrics

import (
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"faultkeep/sources"
)

// unseen adds up for how long each drive was blind since faultkeep started, the
// spell that is going on included.
type unseen struct {
	now   func() time.Time
	begun time.Time

	mu  sync.Mutex
	all map[string]*sight
}

type sight struct {
	sum   time.Duration
	since time.Time // of the spell going on; zero: none
}

var blindFor = desc("blind_seconds_total", "Time since faultkeep started in which the drive could not be reached or its recorder wasn't armed.", "drive")

func newUnseen(now func() time.Time) *unseen {
	return &unseen{now: now, begun: now(), all: map[string]*sight{}}
}

func (u *unseen) know(drive string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.all[drive] == nil {
		u.all[drive] = &sight{}
	}
}

func (u *unseen) forget(drive string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	delete(u.all, drive)
}

func (u *unseen) saw(o sources.Observation) {
	u.mu.Lock()
	defer u.mu.Unlock()
	s := u.all[o.Drive]
	switch {
	case s == nil:
	case o.Kind == sources.SeenBlind && s.since.IsZero():
		s.since = o.Since
		if s.since.Before(u.begun) {
			s.since = u.begun
		}
	case o.Kind == sources.SeenWatched && !s.since.IsZero():
		s.sum += max(0, o.Time.Sub(s.since))
		s.since = time.Time{}
	}
}

// Describe tells the one metric.
func (u *unseen) Describe(ch chan<- *prometheus.Desc) { ch <- blindFor }

// Collect adds up to now.
func (u *unseen) Collect(ch chan<- prometheus.Metric) {
	u.mu.Lock()
	defer u.mu.Unlock()
	for drive, s := range u.all {
		sum := s.sum
		if !s.since.IsZero() {
			sum += max(0, u.now().Sub(s.since))
		}
		ch <- prometheus.MustNewConstMetric(blindFor, prometheus.CounterValue, sum.Seconds(), drive)
	}
}
