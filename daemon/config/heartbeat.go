package config

import (
	"context"
	"log/slog"
	"slices"

	"faultkeep/daemon/alert/mqtt"
)

// heartbeat checks what a watcher elsewhere listens for.
func (c *checker) heartbeat() {
	h := c.cfg.Heartbeat
	if h == nil {
		if c.doc.Has("heartbeat") {
			c.missing("heartbeat.url", "give the address that a watcher listens at, or leave heartbeat out")
		}
		return
	}
	h.Check(func(key, text, hint string) {
		if path := "heartbeat." + key; !c.bad(path) {
			c.say(path, hint, "%s", text)
		}
	})
	var brokers []string
	for _, s := range c.cfg.Alerts.Sinks {
		if s.MQTT != nil {
			brokers = append(brokers, s.Name)
		}
	}
	if h.MQTT != "" && !slices.Contains(brokers, h.MQTT) {
		hint := "name one under alerts.sinks"
		if len(brokers) > 0 {
			hint = meant(h.MQTT, brokers)
		}
		c.say("heartbeat.mqtt", hint, "there is no sink of kind mqtt called %q", h.MQTT)
	}
}

// Beat tells the broker of the heartbeat's sink; nil where there is none.
func (l *Loaded) Beat(log *slog.Logger) func(context.Context) error {
	for _, s := range l.Config.Alerts.Sinks {
		if h := l.Config.Heartbeat; h != nil && s.MQTT != nil && s.Name == h.MQTT {
			return mqtt.New(*s.MQTT, l.Config.Alerts.Link, log).Beat
		}
	}
	return nil
}
