package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/daemon/report"
	"faultkeep/store/capture"
	"faultkeep/store/format"
	"faultkeep/store/format/delimited"
)

// tried is how a file would be read, for programs.
type tried struct {
	File    string             `json:"file"`
	Format  string             `json:"format,omitempty"`
	Dialect *delimited.Dialect `json:"dialect,omitempty"` // of delimited text, as it was found
	Records []triedRecord      `json:"records"`
	Error   string             `json:"error,omitempty"`
}

type triedRecord struct {
	Channels []shownChannel `json:"channels"`
	Timing   capture.Timing `json:"timing"`
	Trigger  int            `json:"trigger"`
	Time     *time.Time     `json:"time,omitempty"`
	Fields   []format.Field `json:"fields"`
	Found    []format.Field `json:"found,omitempty"` // how time and trigger were found
	Warnings []string       `json:"warnings"`
}

// try shows how files would be read; nothing is kept.
func (c checkCommand) try(ctx context.Context, out output) error {
	zone, err := time.LoadLocation(c.Zone)
	if err != nil {
		return usageError{fmt.Errorf("--zone %q is no time zone; write one such as Europe/Oslo", c.Zone)}
	}
	dialect, err := readDialect(c.Dialect)
	if err != nil {
		return err
	}
	failed := false
	for i, path := range c.Try {
		answer, records := tryFile(ctx, path, dialect, zone)
		failed = failed || answer.Error != ""
		if c.JSON {
			err = writeJSON(out.Out, answer)
		} else {
			if i > 0 {
				fmt.Fprintln(out.Out)
			}
			err = answer.show(out, records, zone)
		}
		if err != nil {
			return err
		}
	}
	if failed {
		return errSaid
	}
	return nil
}

// readDialect reads a file that holds what belongs below dialect: in a config.
func readDialect(path string) (d delimited.Dialect, err error) {
	if path == "" {
		return d, nil
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return d, err
	}
	doc, problems := strict.Decode(path, b, &d)
	for _, p := range d.Check() {
		problems = append(problems, doc.Problem(p.Key, p.Text, p.Hint))
	}
	if len(problems) > 0 {
		return d, problems.Sorted()
	}
	return d, nil
}

func tryFile(ctx context.Context, path string, dialect delimited.Dialect, zone *time.Location) (tried, []format.Record) {
	answer := tried{File: path, Records: []triedRecord{}}
	files, err := readSet(path)
	if err != nil {
		answer.Error = err.Error()
		return answer, nil
	}
	decoder, ok := decoderFor(files)
	if !ok || decoder.Name() == (delimited.Decoder{}).Name() {
		decoder = delimited.Decoder{Dialect: dialect}
		if found, ok := (delimited.Decoder{Dialect: dialect}).Found(files[0]); ok {
			answer.Dialect = &found
		}
	}
	answer.Format = decoder.Name()
	records, err := decoder.Decode(ctx, files, format.Options{Zone: zone})
	if err != nil {
		answer.Error = err.Error()
	}
	for _, r := range records {
		one := triedRecord{Channels: shownCapture(captureOf(r), r.Series).Channels, Timing: r.Timing, Trigger: r.Trigger,
			Fields: append([]format.Field{}, r.Fields...), Found: r.Found, Warnings: append([]string{}, r.Warnings...)}
		if !r.Time.IsZero() {
			one.Time = &r.Time
		}
		answer.Records = append(answer.Records, one)
	}
	return answer, records
}

// captureOf is a record as a capture, to be shown.
func captureOf(r format.Record) capture.Capture {
	return capture.Capture{Channels: r.Channels, Timing: r.Timing, Trigger: capture.Trigger{Index: r.Trigger, Time: r.Time}}
}

func (a tried) show(out output, records []format.Record, zone *time.Location) error {
	if a.Error != "" {
		fmt.Fprintf(out.Err, "faultkeep: %s\n", a.Error)
	}
	if len(records) == 0 {
		return nil
	}
	fmt.Fprintf(out.Out, "%s is read as %s: %s.\n", clean(a.File), a.Format, counted(len(records), "recording"))
	for i, r := range records {
		if i == 5 {
			fmt.Fprintf(out.Out, "\n… and %d more.\n", len(records)-i)
			break
		}
		fmt.Fprintln(out.Out)
		if err := showRecord(out, r, zone); err != nil {
			return err
		}
	}
	if a.Dialect != nil {
		fmt.Fprintf(out.Out, "\nFor the config, as it was found:\n\n%s", dialectText(*a.Dialect))
	}
	return nil
}

func showRecord(out output, r format.Record, zone *time.Location) error {
	c := captureOf(r)
	rows := [][]string{
		{"samples", fmt.Sprintf("%d, %s", r.Timing.Samples, intervals(r.Timing))},
		{"duration", span(time.Duration(r.Timing.Duration()*float64(time.Second))) + ", from " + report.Seconds(c.At(0), r.Timing.Interval)},
		{"trigger", fmt.Sprintf("sample %d", r.Trigger+1)},
	}
	if !r.Time.IsZero() {
		rows = append(rows, []string{"triggered", r.Time.In(zone).Format("2006-01-02 15:04:05.000000 MST")})
	}
	for _, f := range r.Found {
		rows = append(rows, []string{f.Name + " from", f.Value})
	}
	for i, f := range r.Fields {
		if i == 20 {
			rows = append(rows, []string{"…", fmt.Sprintf("and %d more lines", len(r.Fields)-i)})
			break
		}
		rows = append(rows, []string{f.Name, f.Value})
	}
	if err := table(out.Out, rows); err != nil {
		return err
	}
	fmt.Fprintln(out.Out)
	if err := table(out.Out, channelRows(c, r.Series)); err != nil {
		return err
	}
	fmt.Fprintf(out.Out, "\n%s", plot(c, r.Series))
	for _, w := range r.Warnings {
		fmt.Fprintf(out.Out, "\nNote: %s", clean(w))
	}
	if len(r.Warnings) > 0 {
		fmt.Fprintln(out.Out)
	}
	return nil
}

func intervals(t capture.Timing) string {
	if t.Uniform() {
		return span(time.Duration(t.Interval*float64(time.Second))) + " apart"
	}
	var parts []string
	begin := 0
	for _, r := range t.Rates {
		parts = append(parts, fmt.Sprintf("%d to %d %s apart", begin+1, r.End, span(time.Duration(r.Interval*float64(time.Second)))))
		begin = r.End
	}
	return strings.Join(parts, ", ")
}

// dialectText is a dialect as it stands in a config.
func dialectText(d delimited.Dialect) string {
	var b strings.Builder
	b.WriteString("    dialect:\n")
	line := func(key, value string) {
		if value != "" {
			fmt.Fprintf(&b, "      %s: %s\n", key, value)
		}
	}
	line("encoding", d.Encoding)
	line("delimiter", d.Delimiter)
	line("decimal", d.Decimal)
	line("thousands", d.Thousands)
	if d.Time.Column != "" {
		line("time", fmt.Sprintf("{column: %q}", clean(d.Time.Column)))
	}
	return b.String()
}

var errNothingToTry = errors.New("--dialect and --zone say how files are tried; name them with --try FILE")
