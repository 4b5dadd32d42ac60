// Package metrics shows how faultkeep is doing as Prometheus metrics
// (text format 0.0.4 and OpenMetrics 1.0, as the client library serves them).
// Times are in seconds, as that convention wants.
package metrics

import (
	"net/http"
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"faultkeep/daemon/web"
	"faultkeep/sources"
)

// Metrics counts what passes and reads the rest when it is asked.
type Metrics struct {
	registry *prometheus.Registry
	known    []string // drives; Know alone uses it
	kept     *prometheus.CounterVec
	missed   *prometheus.CounterVec
	blind    *prometheus.CounterVec
	writes   *prometheus.CounterVec
	took     *prometheus.HistogramVec
	pulls    *prometheus.HistogramVec
	bytes    *prometheus.CounterVec
	unseen   *unseen
}

// Options are where the metrics come from.
type Options struct {
	Version string
	Drives  func() []web.DriveNow  // as they are now
	Alerts  func() web.AlertCounts // nil: none
	Kept    func() Kept            // nil: nothing is known of the store
	Now     func() time.Time       // nil: time.Now
}

// Kept is how the store stands. Below 0: not known.
type Kept struct {
	Drafts int
	Size   int64 // of the file, bytes
	Used   int64 // of it in use
	Free   int64 // on its volume

	Aside  int       // alerts that a sink refused for good, or that found the outbox full
	Oldest time.Time // raised when, of the alerts that wait and aren't held on purpose; zero: none waits
}

// New makes metrics in a registry of their own.
func New(o Options) *Metrics {
	if o.Now == nil {
		o.Now = time.Now
	}
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		return prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "faultkeep", Name: name, Help: help}, labels)
	}
	m := &Metrics{
		registry: prometheus.NewRegistry(),
		kept:     counter("captures_total", "Recordings kept since faultkeep started, whole or in part.", "drive", "whole"),
		missed:   counter("misses_total", "Faults since faultkeep started of which no recording could be kept.", "drive"),
		blind:    counter("blind_spells_total", "Blind spells begun since faultkeep started.", "drive"),
		writes:   counter("writes_total", "Writes made to drives since faultkeep started, page selects left out.", "drive"),
		took: prometheus.NewHistogramVec(prometheus.HistogramOpts{Namespace: "faultkeep", Name: "keep_seconds",
			Help:    "Time from a recording being ready until it was kept.",
			Buckets: []float64{0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 60}}, []string{"drive"}),
	}
	m.bytes = counter("pulled_bytes_total", "Bytes of recordings read from drives and kept since faultkeep started.", "drive")
	m.pulls = prometheus.NewHistogramVec(prometheus.HistogramOpts{Namespace: "faultkeep", Name: "pull_seconds",
		Help:    "Time that reading a recording took, those kept in part included.",
		Buckets: []float64{0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 60}}, []string{"drive"})
	m.unseen = newUnseen(o.Now)
	m.registry.MustRegister(m.kept, m.missed, m.blind, m.writes, m.took, m.pulls, m.bytes, m.unseen, &moment{o},
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// Know says which drives there are from now on: so that a rate can be taken
// before anything has happened, and so that one that is gone isn't counted for ever.
func (m *Metrics) Know(names []string) {
	for _, gone := range m.known {
		if !slices.Contains(names, gone) {
			for _, v := range []interface {
				DeletePartialMatch(prometheus.Labels) int
			}{m.kept, m.missed, m.blind, m.writes, m.took, m.pulls, m.bytes} {
				v.DeletePartialMatch(prometheus.Labels{"drive": gone})
			}
			m.unseen.forget(gone)
		}
	}
	for _, name := range names {
		m.kept.WithLabelValues(name, "yes")
		m.kept.WithLabelValues(name, "no")
		m.missed.WithLabelValues(name)
		m.blind.WithLabelValues(name)
		m.writes.WithLabelValues(name)
		m.bytes.WithLabelValues(name)
		m.unseen.know(name)
	}
	m.known = names
}

// Handler serves the metrics.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{EnableOpenMetrics: true, MaxRequestsInFlight: 4})
}

// Registry gathers the metrics.
func (m *Metrics) Registry() prometheus.Gatherer { return m.registry }

// Saw counts what was observed.
func (m *Metrics) Saw(o sources.Observation) {
	m.unseen.saw(o)
	switch o.Kind {
	case sources.SeenKept:
		whole := "yes"
		if o.Partial {
			whole = "no"
		}
		m.kept.WithLabelValues(o.Drive, whole).Inc()
		m.took.WithLabelValues(o.Drive).Observe(o.Took.Seconds())
		if o.Pull > 0 {
			m.pulls.WithLabelValues(o.Drive).Observe(o.Pull.Seconds())
			m.bytes.WithLabelValues(o.Drive).Add(float64(o.Done))
		}
	case sources.SeenMiss:
		m.missed.WithLabelValues(o.Drive).Inc()
	case sources.SeenBlind:
		m.blind.WithLabelValues(o.Drive).Inc()
	case sources.SeenWrote:
		m.writes.WithLabelValues(o.Drive).Add(float64(len(o.Writes)))
	}
}
