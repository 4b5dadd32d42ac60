package metrics

import (
	"github.com/prometheus/client_golang/prometheus"

	"faultkeep/daemon/web"
	"faultkeep/store/capture"
)

// moment is what holds at the moment of asking. What isn't known, such as the
// margin of a drive that never made a recording, is left out: 0 would be a lie.
type moment struct{ Options }

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("faultkeep_"+name, help, labels, nil)
}

var (
	build    = desc("build_info", "Always 1; its label tells the version.", "version")
	watched  = desc("drive_watched", "1: reachable, and its recorder armed, recording or ready.", "drive")
	reach    = desc("drive_reachable", "1: its last poll was answered.", "drive")
	tripped  = desc("drive_tripped", "1: it shows a fault.", "drive")
	state    = desc("recorder_state", "1 for the state that the drive's recorder is in, 0 for the others.", "drive", "state")
	seen     = desc("drive_last_seen_seconds", "Time since its last good answer.", "drive")
	need     = desc("race_need_seconds", "For so long a recording must stay readable to be kept for certain: poll, pull and commit.", "drive")
	pull     = desc("race_pull_seconds", "Time to read a recording.", "drive")
	survived = desc("race_survived_seconds", "The shortest time that a recording stood so far.", "drive")
	margin   = desc("race_margin_seconds", "What is left of the shortest time that a recording stands; below 0 recordings are lost.", "drive")
	polled   = desc("poll_seconds", "Time that its last answered poll took.", "drive")
	drafts   = desc("drafts", "Recordings being read, or left to be read on.")
	size     = desc("store_bytes", "Size of the store's file, without the room taken in advance.")
	used     = desc("store_used_bytes", "Of the store's file in use.")
	free     = desc("disk_free_bytes", "Free on the data folder's volume.")
	aside    = desc("alerts_set_aside", "Alerts that a sink refused for good, or that found the outbox full.")
	oldest   = desc("alerts_oldest_waiting_seconds", "Age of the oldest alert that waits for a sink and isn't held on purpose; 0: none waits.")
	waiting  = desc("alerts_waiting", "Alerts that no sink has accepted yet.")
	raised   = desc("alerts_raised", "Alerts put into the outbox, as far back as it reaches.")
)

var states = []capture.RecorderState{capture.Idle, capture.Armed, capture.Recording, capture.Ready, capture.Unknown}

// Describe sends nothing: what there is depends on the moment.
func (m *moment) Describe(chan<- *prometheus.Desc) {}

// Collect reads the moment.
func (m *moment) Collect(ch chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	gauge(build, 1, m.Version)
	for _, d := range m.Drives() {
		gauge(watched, number(d.Watched), d.Name)
		gauge(reach, number(d.Reachable), d.Name)
		gauge(tripped, number(d.Tripped), d.Name)
		for _, s := range states {
			gauge(state, number(d.State == s), d.Name, string(s))
		}
		if !d.LastSeen.IsZero() {
			gauge(seen, m.Now().Sub(d.LastSeen).Seconds(), d.Name)
		}
		if d.Polled > 0 {
			gauge(polled, d.Polled.Seconds(), d.Name)
		}
		race(gauge, d)
	}
	if m.Alerts != nil {
		n := m.Alerts()
		gauge(waiting, float64(n.Waiting))
		gauge(raised, float64(n.Raised))
	}
	if m.Kept != nil {
		k := m.Kept()
		for d, v := range map[*prometheus.Desc]int64{drafts: int64(k.Drafts), size: k.Size, used: k.Used, free: k.Free, aside: int64(k.Aside)} {
			if v >= 0 {
				gauge(d, float64(v))
			}
		}
		age := 0.0
		if !k.Oldest.IsZero() {
			age = max(0, m.Now().Sub(k.Oldest).Seconds())
		}
		gauge(oldest, age)
	}
}

func race(gauge func(*prometheus.Desc, float64, ...string), d web.DriveNow) {
	r := d.Figures
	if r.Pull > 0 {
		gauge(pull, r.Pull.Seconds(), d.Name)
	}
	if r.Need > 0 {
		gauge(need, r.Need.Seconds(), d.Name)
	}
	if r.Survived > 0 {
		gauge(survived, r.Survived.Seconds(), d.Name)
	}
	if left, ok := r.Margin(); ok {
		gauge(margin, left.Seconds(), d.Name)
	}
}

func number(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
