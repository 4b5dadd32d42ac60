package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"faultkeep/daemon/config"
	"faultkeep/sources/modbus"
	"faultkeep/sources/modbus/regmap"
)

type scanCommand struct {
	Address string        `arg:"" help:"The drive's address, as in 192.0.2.11 or 192.0.2.11:502."`
	Map     string        `required:"" placeholder:"FILE" help:"The map, or builtin:NAME."`
	Unit    uint8         `default:"1" placeholder:"N" help:"Modbus unit identifier; left out: 1."`
	Timeout time.Duration `default:"1s" placeholder:"TIME" help:"Longest wait for one answer; left out: 1s."`
	Every   time.Duration `placeholder:"TIME" help:"Scan again and again, this long apart, until interrupted."`
	JSON    bool          `name:"json" help:"Write JSON, with --every one object a line."`
}

// Help is shown by --help.
func (scanCommand) Help() string {
	return `Reads each value of the map by a request of its own, one after the other with
the map's gap between them, and shows where it is, the registers as they came,
and what they mean by the map. A value that the drive refuses says so. It can't write.

CAUTION. What a register means, only the drive's manual says. A request too many can
disturb a drive or a gateway that is busy: on a machine that runs, agree with
whoever answers for it first. faultkeep is no part of a safety function.

Exit codes: 0 all was read; 1 the drive doesn't answer, or refused a value; 2
the command line or the map is wrong.`
}

// scan is the answer for programs.
type scan struct {
	Time    time.Time        `json:"time"`
	Address string           `json:"address"`
	Unit    uint8            `json:"unit"`
	Map     string           `json:"map"`
	Limits  string           `json:"limits"`
	Values  []modbus.Scanned `json:"values"`
}

// Run reads and tells, once or until ctx ends.
func (c *scanCommand) Run(ctx context.Context, out output) error {
	address, text, hint := config.Address(c.Address)
	switch {
	case text != "":
		return usageError{fmt.Errorf("%q %s; %s", c.Address, text, hint)}
	case c.Timeout < 20*time.Millisecond || c.Timeout > time.Minute:
		return usageError{fmt.Errorf("--timeout %s is not between 20ms and 1m", c.Timeout)}
	case c.Every != 0 && (c.Every < 100*time.Millisecond || c.Every > 24*time.Hour):
		return usageError{fmt.Errorf("--every %s is not between 100ms and 24h", c.Every)}
	}
	m, err := readMap(c.Map)
	if err != nil {
		return err
	}
	s := modbus.NewScanner(address, c.Unit, m, c.Timeout)
	defer s.Close()
	for {
		values, err := s.Scan(ctx)
		if err == nil || len(values) > 0 {
			if terr := c.tell(out, m, scan{time.Now().UTC(), address, c.Unit, m.Name, limitsText(m), values}); terr != nil {
				return terr
			}
		}
		switch {
		case ctx.Err() != nil && c.Every > 0: // that is how it ends
			return nil
		case c.Every == 0:
			return scanEnd(values, err)
		case err != nil:
			fmt.Fprintln(out.Err, clean(err.Error()))
		}
		select {
		case <-time.After(c.Every):
		case <-ctx.Done():
			return nil
		}
	}
}

func scanEnd(values []modbus.Scanned, err error) error {
	if err != nil {
		return err
	}
	for _, v := range values {
		if v.Error != "" {
			return errSaid
		}
	}
	return nil
}

func (c *scanCommand) tell(out output, m *regmap.Map, s scan) error {
	if c.JSON {
		if c.Every > 0 {
			return json.NewEncoder(out.Out).Encode(s)
		}
		return writeJSON(out.Out, s)
	}
	head := fmt.Sprintf("%s unit %d by map %s, %s", s.Address, s.Unit, clean(s.Map), s.Time.Format("2006-01-02 15:04:05 UTC"))
	rows := [][]string{{"section", "name", "where", "type", "raw", "value"}}
	section := ""
	for _, v := range s.Values {
		row := []string{"", v.Name, v.Where, v.Type, v.Raw, v.Text}
		if v.Section != section {
			section = v.Section
			row[0] = section
		}
		if v.Error != "" {
			row[4], row[5] = "–", "⚑ "+v.Error
		}
		rows = append(rows, row)
	}
	_, err := fmt.Fprintf(out.Out, "%s\n%s\n\n", head, s.Limits)
	return errors.Join(err, table(out.Out, rows))
}

// limitsText is what the map says of requests.
func limitsText(m *regmap.Map) string {
	gap := "no gap"
	if m.Limits.Gap > 0 {
		gap = "a gap of " + m.Limits.Gap.String()
	}
	return fmt.Sprintf("The map's limits: %s a read, %s, %s between requests.", counted(max(1, m.Limits.Registers), "register"),
		counted(max(1, m.Limits.Connections), "connection"), gap)
}
