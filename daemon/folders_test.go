package daemon_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon"
	"faultkeep/daemon/archive"
	"faultkeep/daemon/config"
	"faultkeep/store/capture"
	"faultkeep/store/format/formattest"
)

// exports is a daemon's config with one folder and no drive.
func exports(t *testing.T, settings string) (p *plant, folder string) {
	t.Helper()
	dir := t.TempDir()
	p = &plant{data: filepath.Join(dir, "data"), config: filepath.Join(dir, "faultkeep.yaml")}
	folder = filepath.Join(dir, "exports")
	if err := os.Mkdir(folder, 0o750); err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("site: Northquay\ndata: data\nweb: {listen: \"127.0.0.1:0\"}\nfolders:\n  - {name: exports, path: exports, drive: slew, scan: 1s, settle: 300ms, give_up: 3s, %s}\n", settings)
	if err := os.WriteFile(p.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return p, folder
}

// toy is recording number n as a file's content.
func toy(n int) formattest.Recording {
	r := formattest.Recording{Trigger: 20, Time: time.Date(2026, 11, 25, 3, 0, n, 0, time.UTC), Fields: []string{fmt.Sprint("fault ", 1000+n)}}
	for i := range 200 {
		r.Samples = append(r.Samples, float64(n*1000+i))
	}
	return r
}

// A folder is a source like a drive: what comes there is kept and told, and
// whether it is watched is in the ledger and on the page.
func TestFolderUnderTheDaemon(t *testing.T) {
	p, folder := exports(t, "from: now")
	write := func(name string, b []byte) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(folder, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("old.toy", formattest.Write(toy(1)))
	loaded, problems := config.Load(p.config)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	app, err := daemon.Start(t.Context(), loaded, daemon.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer app.Stop()
	eventually(t, "watched", func() bool { return app.Folders()[0].Now().Files == 1 })
	write("new.toy", formattest.Write(toy(2)))
	write("bad.toy", []byte("toy or not"))
	c := p.oneCapture(t)
	if c.Drive != "slew" || c.Provenance.Files[0].Name != "new.toy" || c.Fault.Shown != "1002" {
		t.Errorf("%+v", c)
	}
	a, err := archive.Open(t.Context(), p.data)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	eventually(t, "unread", func() bool {
		list, err := a.Captures(t.Context(), archive.Query{Unread: true})
		return err == nil && len(list) == 1 && list[0].Origin == capture.Unread && strings.Contains(list[0].Integrity.Why, "bad.toy")
	})
	if err := os.Rename(folder, folder+" away"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "blind", func() bool {
		spells, err := a.Spells(t.Context(), archive.Query{Drive: "exports"})
		return err == nil && len(spells) > 0 && spells[0].To.IsZero() && strings.Contains(spells[0].Text, "is gone")
	})
	if err := os.Rename(folder+" away", folder); err != nil {
		t.Fatal(err)
	}
	eventually(t, "watched again", func() bool {
		cover, err := a.Coverage(t.Context(), archive.Query{Drive: "exports"})
		spells, _ := a.Spells(t.Context(), archive.Query{Drive: "exports"})
		return err == nil && len(cover) == 1 && cover[0].Drive == "exports" && len(spells) > 0 && !spells[0].To.IsZero()
	})
	if err := app.Stop(); err != nil {
		t.Fatal(err)
	}
	if app, err = daemon.Start(t.Context(), loaded, daemon.Options{}); err != nil {
		t.Fatal(err)
	}
	defer app.Stop()
	write("later.toy", formattest.Write(toy(3)))
	eventually(t, "the next", func() bool {
		list, err := app.Store.Captures(t.Context(), storeQuery)
		return err == nil && len(list) == 2
	})
	if err := app.Stop(); err != nil {
		t.Fatal(err)
	}
	p.verify(t)
}
