package main

import (
	"cmp"
	"io"
	"strings"
	"time"

	"github.com/alecthomas/kong"
)

// manCommand prints the manual page.
type manCommand struct{}

// Help is shown by --help.
func (manCommand) Help() string {
	return `As man(7) has it: faultkeep man > faultkeep.1; man -l faultkeep.1`
}

// Run prints it.
func (manCommand) Run(k *kong.Context, out output) error {
	p := page{k.Model}
	_, err := io.WriteString(out.Out, p.text())
	return err
}

// page is the manual page of a command line.
type page struct{ app *kong.Application }

// exitCodes are those of the README.
var exitCodes = [][2]string{
	{"0", "Done."},
	{"1", "What was asked for failed or wasn't found; demo: a promise was broken; plan: not everything asked for can be had together; check --probe and scan: a drive can't be read, refused a value, or its settings are wrong; verify: something is damaged; service status: it doesn't run."},
	{"2", "The command line, or the config with its maps and fault tables, is wrong."},
}

func (p page) text() string {
	var b strings.Builder
	w := func(lines ...string) {
		for _, l := range lines {
			b.WriteString(l + "\n")
		}
	}
	intro, rest, _ := strings.Cut(about, "\n\n")
	_, caution, _ := strings.Cut(rest, "\n\n")
	w(`.\" Made by faultkeep man.`, `.TH FAULTKEEP 1 "`+dated()+`" "faultkeep" "User commands"`,
		".SH NAME", `faultkeep \- keeps the fault recordings of variable\-speed drives`,
		".SH SYNOPSIS", ".B faultkeep", `.I command`, `.RI [ flags ]`,
		".SH DESCRIPTION", roff(intro), ".PP", roff(caution), ".SH COMMANDS")
	for _, n := range p.app.Leaves(true) {
		p.command(w, n)
	}
	w(".SH EXIT STATUS")
	for _, e := range exitCodes {
		w(".TP", ".B "+e[0], roff(e[1]))
	}
	w(".SH ENVIRONMENT", ".TP", ".B FAULTKEEP_CONFIG", "The config file, where",
		`.B \-\-config`, "isn't given.",
		".SH FILES", ".TP", ".I faultkeep.yaml", "The config in the working folder.",
		".TP", ".I /etc/faultkeep/faultkeep.yaml", roff(`The machine's own; on Windows %ProgramData%\faultkeep\faultkeep.yaml.`),
		".TP", ".I faultkeep.env", roff("Beside the config: secrets for the service, as NAME=value."),
		".SH CAUTIONS", roff("faultkeep is no part of a safety function. That no alert came never means that a machine is safe, or that nothing happened. Before work on a drive: lockout, wait the time on the device's label, then measure the DC link."))
	return b.String()
}

// dated is the day of the commit that this was built from, or today.
func dated() string {
	if t := thisBuild().Time; len(t) >= len(time.DateOnly) {
		return t[:len(time.DateOnly)]
	}
	return time.Now().UTC().Format(time.DateOnly)
}

// command is one command with its flags.
func (p page) command(w func(...string), n *kong.Node) {
	summary := n.Path()
	summary = strings.TrimPrefix(summary, p.app.Name+" ")
	for _, a := range n.Positional {
		summary += " " + a.Summary()
	}
	w(".SS "+verbatim(summary), roff(sentences(n.Help)))
	if n.Detail != "" {
		w(".PP", ".nf")
		for line := range strings.SplitSeq(strings.TrimSpace(n.Detail), "\n") {
			w(verbatim(line))
		}
		w(".fi")
	}
	for _, a := range n.Positional {
		w(".TP", ".I "+verbatim(a.Name), roff(cmp.Or(sentences(a.Help), "Argument.")))
	}
	for _, group := range n.AllFlags(true) {
		for _, f := range group {
			if f.Name == "help" {
				continue
			}
			name := "--" + f.Name
			if !f.IsBool() {
				name += "=" + f.FormatPlaceHolder()
			}
			w(".TP", ".B "+verbatim(name), roff(cmp.Or(sentences(f.Help), "Flag.")))
		}
	}
}

// roff is a text as man(7) takes it: whatever is in it stands there as it is.
// It is broken into lines, which the page fills again.
func roff(s string) string {
	var lines []string
	line := ""
	for word := range strings.FieldsSeq(s) {
		if line != "" && len(line)+1+len(word) > 66 {
			lines = append(lines, line)
			line = ""
		}
		line = strings.TrimSpace(line + " " + word)
	}
	lines = append(lines, line)
	for i, l := range lines {
		lines[i] = verbatim(l)
	}
	return strings.Join(lines, "\n")
}

// verbatim is one line as it is.
func verbatim(line string) string {
	line = strings.NewReplacer(`\`, `\e`, "-", `\-`, "'", `\(aq`, "`", `\(ga`, "^", `\(ha`, "~", `\(ti`, `"`, `\(dq`, "\t", "    ").Replace(line)
	switch line = strings.TrimRight(line, " "); {
	case line == "":
		return ".sp"
	case strings.HasPrefix(line, "."):
		return `\&` + line
	}
	return line
}
