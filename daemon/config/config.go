// Package config is the one file that says what faultkeep shall do. It
// composes the rooms' own configs, reads the maps and fault tables that the
// file names, and reports everything that is wrong with all of them at once.
// Loading binds no port, takes no lock and creates nothing.
package config

import (
	"fmt"
	"log/slog"
	"os"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/daemon/alert"
	"faultkeep/daemon/alert/email"
	"faultkeep/daemon/alert/file"
	"faultkeep/daemon/alert/logsink"
	"faultkeep/daemon/alert/mqtt"
	"faultkeep/daemon/alert/syslog"
	"faultkeep/daemon/alert/webhook"
	"faultkeep/daemon/heartbeat"
	"faultkeep/daemon/holdoff"
	"faultkeep/daemon/login"
	"faultkeep/sources/faultcode"
	"faultkeep/sources/folder"
	"faultkeep/sources/modbus"
	"faultkeep/sources/modbus/regmap"
)

// Config is the file. What it leaves out has its default after Load.
type Config struct {
	Site      string            `yaml:"site"`     // name of the plant; this computer's name where left out
	Timezone  string            `yaml:"timezone"` // as in Europe/Oslo; this computer's where left out
	Data      string            `yaml:"data"`     // folder for all that is kept; absolute after Load
	Store     Store             `yaml:"store"`
	Poll      strict.Duration   `yaml:"poll"` // of drives that don't say otherwise; 250 ms where left out
	Web       Web               `yaml:"web"`
	Drives    []modbus.Config   `yaml:"drives"`
	Folders   []folder.Config   `yaml:"folders"`
	Alerts    Alerts            `yaml:"alerts"`
	Brief     *Brief            `yaml:"brief"`     // nil: none is made by itself
	Heartbeat *heartbeat.Config `yaml:"heartbeat"` // nil: none
	Holdoff   *holdoff.Config   `yaml:"holdoff"`   // nil: no PLC can ask
	Log       Log               `yaml:"log"`
}

// Web is the page.
type Web struct {
	Listen string       `yaml:"listen"` // host:port; 127.0.0.1:8377 where left out. For other computers only with TLS and Users
	TLS    *TLS         `yaml:"tls"`    // nil: none
	Names  []string     `yaml:"names"`  // host names under which the page may be asked for; this computer's where left out
	Users  []login.User `yaml:"users"`  // who may log in; nobody needs to where left out
}

// TLS says with which certificate the page is served: files, or one that
// faultkeep makes.
type TLS struct {
	Cert string `yaml:"cert"`
	Key  string `yaml:"key"`
	Make bool   `yaml:"make"`
}

// Store says how long captures stay, and what happens when their disk gets full.
type Store struct {
	KeepFor strict.Duration `yaml:"keep_for"` // age at which captures are dropped; 0, as where left out: never
	MaxSize strict.Size     `yaml:"max_size"` // of what is kept; 0, as where left out: no limit, or mostSize
	LowDisk LowDisk         `yaml:"low_disk"`
}

// LowDisk is how much of the data folder's volume must be left.
type LowDisk struct {
	Warn   strict.Size `yaml:"warn"`   // below it somebody is told; 1 GiB where left out
	Drop   strict.Size `yaml:"drop"`   // below it old captures make room for new ones; 256 MiB where left out
	Refuse strict.Size `yaml:"refuse"` // below it no new recordings are kept; 16 MiB where left out
}

// Alerts say who hears of what.
type Alerts struct {
	Link  string       `yaml:"link"`  // address of the page in messages; http:// and Web.Listen where left out
	Sinks []Sink       `yaml:"sinks"` // the log where left out
	Rules []alert.Rule `yaml:"rules"` // where left out every sink hears of everything but blind spells
}

// Sink is one way to tell somebody: a name and exactly one kind of sink.
type Sink struct {
	Name    string          `yaml:"name"`
	Log     *logsink.Config `yaml:"log"`
	Webhook *webhook.Config `yaml:"webhook"`
	File    *file.Config    `yaml:"file"`
	Syslog  *syslog.Config  `yaml:"syslog"`
	Email   *email.Config   `yaml:"email"`
	MQTT    *mqtt.Config    `yaml:"mqtt"`
}

// Log is the daemon's own log, on standard error and in a file.
type Log struct {
	Level  string `yaml:"level"`  // debug, info, warn or error; info where left out
	Format string `yaml:"format"` // text or json; text where left out

	File string      `yaml:"file"` // that it is written to as well; absolute after Load; "": none
	Size strict.Size `yaml:"size"` // largest size of it before it is put aside; 10 MiB where left out
	Keep int         `yaml:"keep"` // how many files put aside stay; 5 where left out
}

// Defaults of the file.
const (
	DefaultListen = "127.0.0.1:8377"
	DefaultFaults = builtin + "iec61800-7-201"

	builtin = "builtin:"

	folderScan = strict.Duration(folder.DefaultScan)
)

var defaultLow = map[string]strict.Size{"warn": 1 << 30, "drop": 256 << 20, "refuse": 16 << 20}

// Loaded is a config without problems, with all that it names.
type Loaded struct {
	Path     string // of the file, absolute
	Config   Config
	Location *time.Location
	Drives   []Drive // in the order of the file
	Folders  []Folder
}

// Drive is one drive with its map and fault tables.
type Drive struct {
	Config modbus.Config // Address with its port, Poll and Timeout filled in
	Map    *regmap.Map
	Faults faultcode.Tables
}

// Connections is how many connections to the drive's address are used at once.
func (d Drive) Connections() int {
	if d.Config.Connections > 0 {
		return d.Config.Connections
	}
	return max(1, d.Map.Limits.Connections)
}

// Endpoint names the Modbus server that the drive is behind. Drives with the
// same Endpoint share its connections.
func (d Drive) Endpoint() string { return d.Config.Address }

// mailRepeat is how often people get mail about one drive and fault at the
// most, where no rule says otherwise: a drive that chatters must not fill their
// box, nor have the mail server shut the sender out.
const mailRepeat = 10 * time.Minute

// Rules are the config's rules over its sinks.
func (l *Loaded) Rules() alert.Rules {
	r := alert.Rules{List: l.Config.Alerts.Rules, Zone: l.Location, Repeat: map[string]time.Duration{}}
	for _, s := range l.Config.Alerts.Sinks {
		r.Sinks = append(r.Sinks, s.Name)
		if s.Email != nil {
			r.Repeat[s.Name] = mailRepeat
		}
	}
	return r
}

// Sinks makes the config's sinks, by name, with what they may enclose. Nothing
// is connected yet.
func (l *Loaded) Sinks(log *slog.Logger, enclose alert.Enclosures) map[string]alert.Sink {
	sinks := make(map[string]alert.Sink)
	for _, s := range l.Config.Alerts.Sinks {
		switch {
		case s.Webhook != nil:
			sinks[s.Name] = webhook.New(*s.Webhook, l.Config.Alerts.Link)
		case s.File != nil:
			sinks[s.Name] = file.New(*s.File, l.Config.Alerts.Link)
		case s.Syslog != nil:
			sinks[s.Name] = syslog.New(*s.Syslog, l.Config.Alerts.Link)
		case s.Email != nil:
			sinks[s.Name] = email.New(*s.Email, email.About{Link: l.Config.Alerts.Link, Zone: l.Location}, enclose, log)
		case s.MQTT != nil:
			sinks[s.Name] = mqtt.New(*s.MQTT, l.Config.Alerts.Link, log)
		default:
			sinks[s.Name] = logsink.New(log, l.Config.Alerts.Link)
		}
	}
	return sinks
}

// LogLevel is the config's log level.
func (l *Loaded) LogLevel() slog.Level {
	return levels[l.Config.Log.Level]
}

var levels = map[string]slog.Level{"debug": slog.LevelDebug, "info": slog.LevelInfo, "warn": slog.LevelWarn, "error": slog.LevelError}

// fill gives everything that the file left out its default; has tells what it
// doesn't leave out, since a duration of 0 is a value, if a wrong one.
func (c *Config) fill(has func(path string) bool) {
	or(&c.Web.Listen, DefaultListen)
	or(&c.Log.Level, "info")
	or(&c.Log.Format, "text")
	if !has("log.size") {
		c.Log.Size = 10 << 20
	}
	if !has("log.keep") {
		c.Log.Keep = 5
	}
	if !has("store.max_size") {
		c.Store.MaxSize = mostSize
	}
	low := &c.Store.LowDisk
	for key, to := range map[string]*strict.Size{"warn": &low.Warn, "drop": &low.Drop, "refuse": &low.Refuse} {
		if !has("store.low_disk." + key) {
			*to = defaultLow[key]
		}
	}
	if !has("poll") {
		c.Poll = strict.Duration(modbus.DefaultPoll)
	}
	for i := range c.Drives {
		d := &c.Drives[i]
		if !has(fmt.Sprintf("drives[%d].poll", i)) {
			d.Poll = c.Poll
		}
		if !has(fmt.Sprintf("drives[%d].timeout", i)) {
			d.Timeout = strict.Duration(modbus.DefaultTimeout)
		}
		if len(d.Faults) == 0 {
			d.Faults = []string{DefaultFaults}
		}
	}
	for i := range c.Folders {
		if f := &c.Folders[i]; len(f.Faults) == 0 {
			f.Faults = []string{DefaultFaults}
		}
	}
	if len(c.Alerts.Sinks) == 0 {
		c.Alerts.Sinks = []Sink{{Name: "log", Log: &logsink.Config{}}}
	}
	if host, err := os.Hostname(); err == nil && len(c.Web.Names) == 0 && isHost(host) {
		c.Web.Names = []string{host}
	}
	or(&c.Alerts.Link, c.Web.Address())
}

// or fills in a default where nothing was given.
func or[T comparable](p *T, value T) {
	var zero T
	if *p == zero {
		*p = value
	}
}
