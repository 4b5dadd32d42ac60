// Package modbus watches drives over Modbus TCP: it polls their status, pulls
// each finished recording from the trigger outwards, hands it to the Keeper,
// and arms the recorder again where that is allowed.
package modbus

import (
	"slices"
	"time"

	"faultkeep/configs/strict"
)

// Defaults of a drive's config.
const (
	DefaultPoll    = 250 * time.Millisecond
	DefaultTimeout = time.Second
	DefaultUnit    = 1

	DefaultTraceBefore = 60 * time.Second
	DefaultTraceAfter  = 20 * time.Second
)

// Config is one drive of the config file.
type Config struct {
	Name        string          `yaml:"name"`        // unique; part of every capture's ID
	Title       string          `yaml:"title"`       // as people call it
	Address     string          `yaml:"address"`     // host:port; port 502 where left out
	Unit        *uint8          `yaml:"unit"`        // Modbus unit identifier, 1 where left out
	Map         string          `yaml:"map"`         // file beside the config, or builtin:NAME
	Faults      []string        `yaml:"faults"`      // fault tables, looked up in order; builtin:NAME or file
	Poll        strict.Duration `yaml:"poll"`        // time between status polls
	Timeout     strict.Duration `yaml:"timeout"`     // longest wait for one answer
	Connections int             `yaml:"connections"` // at once to this address; 0: as the map says
	Trace       *TraceConfig    `yaml:"trace"`       // how much of the live values is kept around a fault
	ResetAfter  strict.Duration `yaml:"reset_after"` // how soon the plant resets a fault, if known
	Allow       []string        `yaml:"allow"`       // kinds of writes: page, arm
}

// TraceConfig says how much of the live values is kept around a fault. Zero
// for both switches the trace off.
type TraceConfig struct {
	Before strict.Duration `yaml:"before"`
	After  strict.Duration `yaml:"after"`
}

func (c Config) traceBefore() time.Duration {
	if c.Trace == nil {
		return DefaultTraceBefore
	}
	return time.Duration(c.Trace.Before)
}

func (c Config) traceAfter() time.Duration {
	if c.Trace == nil {
		return DefaultTraceAfter
	}
	return time.Duration(c.Trace.After)
}

// UnitID is the Modbus unit identifier.
func (c Config) UnitID() uint8 {
	if c.Unit == nil {
		return DefaultUnit
	}
	return *c.Unit
}

// Allows tells whether a kind of write is allowed.
func (c Config) Allows(kind string) bool { return slices.Contains(c.Allow, kind) }

// AnswerWithin is the longest wait for one answer.
func (c Config) AnswerWithin() time.Duration {
	if c.Timeout > 0 {
		return time.Duration(c.Timeout)
	}
	return DefaultTimeout
}
