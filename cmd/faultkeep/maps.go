package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"faultkeep/configs"
)

type mapsCommand struct {
	Name string `arg:"" optional:"" help:"Map or fault table to print; left out: all are listed."`
	JSON bool   `name:"json" help:"Write the list as JSON."`
}

// carried are the files that are in the binary.
type carried struct {
	Maps   []string `json:"maps"`
	Tables []string `json:"fault_tables"`
}

// Run lists what the binary carries, or prints one file of it.
func (c *mapsCommand) Run(ctx context.Context, out output) error {
	name := strings.TrimPrefix(c.Name, "builtin:")
	switch {
	case name == "" && c.JSON:
		return writeJSON(out.Out, carried{configs.Maps(), configs.FaultTables()})
	case name == "":
		var rows [][]string
		for _, m := range configs.Maps() {
			rows = append(rows, []string{"builtin:" + m, "map"})
		}
		for _, t := range configs.FaultTables() {
			rows = append(rows, []string{"builtin:" + t, "fault table"})
		}
		return table(out.Out, rows)
	}
	read := configs.Map
	if slices.Contains(configs.FaultTables(), name) {
		read = configs.Faults
	}
	text, err := read(name)
	if err != nil {
		return fmt.Errorf("faultkeep carries no map and no fault table %q. There are %s", name,
			strings.Join(append(configs.Maps(), configs.FaultTables()...), ", "))
	}
	_, err = out.Out.Write(text)
	return err
}
