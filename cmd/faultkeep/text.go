package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"faultkeep/daemon/report"
)

// writeJSON writes one value for programs: indented, for the people who look.
func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// table lines columns up, separated by two spaces.
func table(w io.Writer, rows [][]string) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		cells := make([]string, len(r))
		for i, cell := range r {
			cells[i] = clean(cell)
		}
		fmt.Fprintln(t, strings.TrimRight(strings.Join(cells, "\t"), "\t"))
	}
	return t.Flush()
}

// clean keeps names that came from outside from steering the terminal or
// breaking a line.
func clean(s string) string { return report.Plainly(s) }

// stamp shows a time to the second.
func stamp(t time.Time, zone *time.Location) string {
	return t.In(zone).Format("2006-01-02 15:04:05")
}

// span shows a duration with as many digits as it deserves.
func span(d time.Duration) string {
	switch s := d.Seconds(); {
	case d < 0:
		return "−" + span(-d)
	case s < 0.00995:
		return fmt.Sprintf("%.2g ms", s*1000)
	case s < 0.0995:
		return fmt.Sprintf("%.0f ms", s*1000)
	case s < 9.95:
		return fmt.Sprintf("%.2g s", s)
	case s < 120:
		return fmt.Sprintf("%.0f s", s)
	case s < 2*3600:
		return fmt.Sprintf("%.0f min", s/60)
	}
	return fmt.Sprintf("%.1f h", d.Hours())
}

// size shows an amount of data in the binary units that file tools show.
func size(n int64) string {
	switch {
	case n < 10<<10:
		return counted(int(n), "byte")
	case n < 10<<20:
		return fmt.Sprintf("%d KiB", n>>10)
	}
	return fmt.Sprintf("%d MiB", n>>20)
}

// counted is "1 capture" or "3 captures".
func counted(n int, what string) string {
	switch {
	case n == 1:
		return "1 " + what
	case strings.HasSuffix(what, "s"): // a miss
		return fmt.Sprintf("%d %ses", n, what)
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// sentences puts texts behind one another, each ended with a full stop.
func sentences(texts ...string) string {
	var b strings.Builder
	for _, s := range texts {
		if s = strings.TrimSpace(s); s == "" {
			continue
		}
		if b.Len() > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(s)
		if !strings.HasSuffix(s, ".") && !strings.HasSuffix(s, "!") && !strings.HasSuffix(s, "?") {
			b.WriteByte('.')
		}
	}
	return b.String()
}
