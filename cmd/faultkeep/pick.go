package main

import (
	"errors"
	"time"

	"faultkeep/daemon/archive"
)

// pick are the flags that say which captures are meant.
type pick struct {
	Since string `placeholder:"WHEN" help:"From this time on: 2026-11-24, \"2026-11-24 18:00\", 18:00 (the last one), or 36h or 7d (ago)."`
	Until string `placeholder:"WHEN" help:"Before this time, written the same way."`
	Drive string `placeholder:"NAME" help:"Only this drive, by its name in the config."`
	Fault string `placeholder:"CODE" help:"Only this fault code, as shown or as a number."`
}

func (f pick) query(now time.Time, zone *time.Location) (q archive.Query, err error) {
	q = archive.Query{Drive: f.Drive, Fault: f.Fault}
	if f.Since != "" {
		if q.Since, err = when(f.Since, now, zone); err != nil {
			return q, err
		}
	}
	if f.Until != "" {
		if q.Until, err = when(f.Until, now, zone); err != nil {
			return q, err
		}
	}
	if !q.Since.IsZero() && !q.Until.IsZero() && !q.Since.Before(q.Until) {
		return q, usageError{errors.New("--since isn't before --until, so nothing lies between them")}
	}
	return q, nil
}
