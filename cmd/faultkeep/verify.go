package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"time"

	"faultkeep/daemon/archive"
)

type verifyCommand struct {
	dataFlag
	JSON bool `name:"json" help:"Write the report as JSON."`
}

// Run recomputes everything and fails where something is damaged.
func (c *verifyCommand) Run(ctx context.Context, out output) error {
	p, err := c.open(ctx)
	if err != nil {
		return err
	}
	defer p.Close()
	progress, done := progressOn(out.Err)
	r, err := p.Verify(ctx, progress)
	done()
	if err != nil {
		return err
	}
	if c.JSON {
		err = writeJSON(out.Out, r)
	} else {
		err = c.tell(out.Out, r)
	}
	if err == nil && len(r.Problems) > 0 {
		err = errSaid
	}
	return err
}

func (c *verifyCommand) tell(w io.Writer, r archive.Report) error {
	fmt.Fprintf(w, "%s and %s looked at, %s recomputed in %s.\n", counted(r.Captures, "capture"), counted(r.Drafts, "draft"), size(r.Bytes), span(r.Took))
	if len(r.Problems) == 0 {
		_, err := fmt.Fprintln(w, "Nothing is damaged.")
		return err
	}
	var rows [][]string
	for _, d := range r.Problems {
		where := string(d.Capture)
		if where == "" {
			where = "the store"
		}
		rows = append(rows, []string{"damaged", where, d.Text})
	}
	return table(w, rows)
}

// progressOn tells on w how far something has come: in place on a terminal,
// now and then a line elsewhere. done clears the place.
func progressOn(w io.Writer) (progress func(done, total int), done func()) {
	said, done := saying(w)
	return func(done, total int) {
		said(func() string { return fmt.Sprintf("%d of %d looked at", done, total) })
	}, done
}

// saying is progressOn for any text.
func saying(w io.Writer) (said func(text func() string), done func()) {
	live := terminal(w)
	every := 5 * time.Second
	if live {
		every = 100 * time.Millisecond
	}
	last := time.Now()
	said = func(text func() string) {
		if time.Since(last) < every {
			return
		}
		last = time.Now()
		if live {
			fmt.Fprintf(w, "\r%s \x1b[K", text())
		} else {
			fmt.Fprintln(w, text())
		}
	}
	return said, func() {
		if live {
			fmt.Fprint(w, "\r\x1b[K")
		}
	}
}

// terminal tells whether somebody watches.
func terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
