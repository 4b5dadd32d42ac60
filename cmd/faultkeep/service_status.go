package main

import (
	"cmp"
	"context"
	"fmt"
	"strings"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
)

type statusCommand struct {
	configFlag
	JSON bool `name:"json" help:"Write JSON."`
}

// state is what the system knows of the service.
type state struct {
	Installed  bool   `json:"installed"`
	AtBoot     bool   `json:"starts_with_machine"`
	Running    bool   `json:"running"`
	Restarting bool   `json:"restarting"` // ended, and about to be started again
	Restarts   int    `json:"restarts"`   // by itself since it was last started
	Since      string `json:"since"`      // when it began to run, as the system tells it
	PID        int    `json:"pid"`
	Config     string `json:"config"`
	Data       string `json:"data"`
	Version    string `json:"version"` // of the one that runs; "" as with Page
	Page       string `json:"page"`    // "" where it doesn't run, or its data folder can't be read

	Failure  string   `json:"failure"`   // why it last ended, where it wasn't told to and hasn't run since; "": it didn't, or that can't be read
	FailedAt string   `json:"failed_at"` // RFC 3339
	Problems []string `json:"problems"`  // of the config as it is now; only told to who may install
}

// fill adds what only the config and the data folder tell.
func (s *state) fill(given string) {
	s.Config, s.Problems = cmp.Or(s.Config, given), []string{}
	if s.Config != "" {
		s.check()
	}
	if s.Data == "" {
		return
	}
	if s.Running {
		// One that somebody started by hand may be in the service's way.
		if e, err := archive.ReadEndpointFile(s.Data); err == nil && (s.PID == 0 || s.PID == e.PID) {
			s.Page, s.Version = e.Address, e.Version
		}
	} else if f, err := archive.ReadFailure(s.Data); err == nil {
		s.Failure, s.FailedAt = f.Error, f.Time.Format(time.RFC3339)
	}
}

// check looks at the config as the service will find it at its next start. An
// account that may read less than the service would tell of mistakes that are none.
func (s *state) check() {
	mayTell := canInstall() == nil && readEnvironment(plan{Config: s.Config}.environment()) == nil
	loaded, problems := config.Load(s.Config)
	if len(problems) == 0 {
		s.Data = cmp.Or(s.Data, loaded.Config.Data)
		return
	}
	for _, p := range problems {
		if mayTell {
			s.Problems = append(s.Problems, p.Error())
		}
	}
}

// why tells, as far as is known, why it doesn't run.
func (s state) why() string {
	switch {
	case len(s.Problems) > 0:
		return "The config is wrong:\n" + strings.Join(s.Problems, "\n")
	case s.Failure != "":
		return "It said: " + s.Failure
	}
	return whereLogs
}

// page says where the page is.
func (s state) page() string {
	if s.Page == "" {
		return "`faultkeep service status` tells where the page is."
	}
	return "The page: " + s.Page
}

// Run tells the state in words.
func (c *statusCommand) Run(ctx context.Context, out output) error {
	now, err := look(ctx)
	if err != nil {
		return err
	}
	now.fill(c.Config)
	if c.JSON {
		err = writeJSON(out.Out, now)
	} else {
		err = table(out.Out, now.rows())
	}
	if err == nil && !now.Running {
		err = errSaid
	}
	return err
}

func (s state) rows() [][]string {
	if !s.Installed {
		return [][]string{{"installed", "no. `faultkeep service install --config FILE` does that"}}
	}
	rows := [][]string{{"installed", "yes, starts with the machine"}}
	if !s.AtBoot {
		rows[0][1] = "yes, but doesn't start with the machine. Installing again sets that right"
	}
	switch {
	case s.Restarting:
		how := "no, it ended and is started again"
		if s.Restarts > 0 {
			how += fmt.Sprintf(" (%s so far)", counted(s.Restarts, "time"))
		}
		rows = append(rows, []string{"running", how + ". " + whereLogs})
	case s.Running:
		how := "yes"
		if s.Since != "" {
			how += ", since " + s.Since
		}
		if s.Restarts > 0 {
			how += fmt.Sprintf(", after %s", counted(s.Restarts, "restart"))
		}
		rows = append(rows, []string{"running", how})
	default:
		rows = append(rows, []string{"running", "no, so no drive is being watched. `faultkeep service start` starts it"})
	}
	if s.Failure != "" {
		rows = append(rows, []string{"ended", s.FailedAt + ": " + s.Failure})
	}
	switch {
	case len(s.Problems) > 0 && s.Running:
		rows = append(rows, []string{"", "The config is wrong now. It runs with what it read before, and wouldn't start again:"})
	case len(s.Problems) > 0:
		rows = append(rows, []string{"", "The config is wrong, and it can't start:"})
	}
	for _, p := range s.Problems {
		rows = append(rows, []string{"", p})
	}
	for _, r := range [][]string{{"config", s.Config}, {"data", s.Data}, {"version", s.Version}, {"page", s.Page}} {
		if r[1] != "" {
			rows = append(rows, r)
		}
	}
	return rows
}
