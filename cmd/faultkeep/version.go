package main

import (
	"cmp"
	"context"
	"fmt"
	"runtime"
	"runtime/debug"
	"strings"
)

type versionCommand struct {
	JSON bool `name:"json" help:"Write JSON."`
}

// built is what is known of how this program was built.
type built struct {
	Version  string `json:"version"`
	Commit   string `json:"commit"`   // "" where it wasn't built in a checkout
	Time     string `json:"time"`     // of the commit, RFC 3339; "" likewise
	Modified bool   `json:"modified"` // built with changes that aren't in the commit
	Go       string `json:"go"`
	Platform string `json:"platform"` // operating system/architecture
}

// Set by the packages' build, which strips what the go tool would note; else "".
var buildVersion, buildCommit, buildTime string

func thisBuild() built {
	b := built{Commit: buildCommit, Time: buildTime, Version: versionText(), Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	if info, ok := debug.ReadBuildInfo(); ok && buildCommit == "" {
		for _, s := range info.Settings {
			switch s.Key {
			case "vcs.revision":
				b.Commit = s.Value
			case "vcs.time":
				b.Time = s.Value
			case "vcs.modified":
				b.Modified = s.Value == "true"
			}
		}
	}
	return b
}

// String is all of it on one line.
func (b built) String() string {
	commit := cmp.Or(b.Commit, "commit not known")
	if b.Commit != "" {
		commit = "commit " + b.Commit[:min(12, len(b.Commit))]
	}
	if b.Modified {
		commit += " with changes"
	}
	parts := []string{"faultkeep " + b.Version, commit, b.Time, b.Go, b.Platform}
	if b.Time == "" {
		parts = append(parts[:2], parts[3:]...)
	}
	return strings.Join(parts, ", ")
}

// Run tells the version.
func (c *versionCommand) Run(ctx context.Context, out output) error {
	if c.JSON {
		return writeJSON(out.Out, thisBuild())
	}
	_, err := fmt.Fprintln(out.Out, thisBuild())
	return err
}
