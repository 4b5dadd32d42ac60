// Package support gathers what somebody else needs to find out what is wrong
// with a faultkeep: into one zip, without secrets. It is made for bad days: each part
// stands, or says in one sentence why it is missing.
package support

import (
	"archive/zip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/clock"
	"faultkeep/daemon/config"
	"faultkeep/store"
)

// Options say what to gather.
type Options struct {
	Config  string        // path of the config file; "" where none was found
	Missing error         // why Config is ""
	Data    string        // data folder; "": the config's
	Days    int           // of the ledger
	Build   any           // of this program, for people and as JSON
	Within  time.Duration // longest wait for what may hang: the daemon, the store, the system's log
	// Ledger tells it as text, as the command does; nil: only JSON.
	Ledger func(ctx context.Context, a archive.Archive, since time.Time, zone *time.Location) (string, error)
}

// Part is one file of the bundle, or why it isn't there.
type Part struct {
	Name    string `json:"name"`
	What    string `json:"what"`
	Bytes   int    `json:"bytes"`
	Missing string `json:"missing,omitempty"`

	content []byte
}

// Bundle is all that was gathered.
type Bundle struct {
	Made  time.Time `json:"made"`
	Parts []Part    `json:"parts"`

	secrets secrets
}

// mostLog is how much of the log's end is taken, in bytes.
const mostLog = 2 << 20

// Gather gathers. It fails only where ctx ends.
func Gather(ctx context.Context, o Options) (*Bundle, error) {
	b := &Bundle{Made: time.Now().UTC()}
	src, loaded, zone := b.config(o)
	data := o.Data
	if data == "" && loaded != nil {
		data = loaded.Config.Data
	}
	if data == "" { // a config that is wrong elsewhere names it all the same
		data = b.loose(src, o.Config, "data")
	}
	if data != "" {
		if e, err := archive.ReadEndpointFile(data); err == nil {
			b.secrets.add(e.Token)
		}
	}
	b.add("versions.json", "faultkeep as it was built, with its modules, and this computer's system", asJSON(versions(ctx, o.Build)))
	b.add("computer.json", "disk space, and what the clock is worth", asJSON(computer(data)))
	b.part("data-folder.txt", "names, sizes and times of the files in the data folder", func() (string, error) { return listing(data) })
	b.kept(ctx, o, data, zone)
	b.part("log.txt", fmt.Sprintf("the end of faultkeep's own log, at most %d MiB", mostLog>>20), func() (string, error) {
		return tail(ctx, b.loose(src, o.Config, "log", "file"), o.Within)
	})
	return b, ctx.Err()
}

// add puts a part in, cleaned.
func (b *Bundle) add(name, what, text string) {
	text = b.secrets.clean(text)
	b.Parts = append(b.Parts, Part{Name: name, What: what, Bytes: len(text), content: []byte(text)})
}

// part adds what make makes, or says why it can't; a part that fails is no
// reason for another to be missing.
func (b *Bundle) part(name, what string, make func() (string, error)) {
	text, err := guarded(make)
	if err == nil {
		b.add(name, what, text)
		return
	}
	b.Parts = append(b.Parts, Part{Name: name, What: what, Missing: b.secrets.clean(sentence(err))})
}

func guarded(f func() (string, error)) (text string, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("reading it failed: %v", p)
		}
	}()
	return f()
}

// sentence is an error on one line.
func sentence(err error) string {
	return strings.Join(strings.Fields(err.Error()), " ")
}

// config adds the config and what is wrong with it.
func (b *Bundle) config(o Options) (src []byte, loaded *config.Loaded, zone *time.Location) {
	zone = time.UTC
	var problem error
	if o.Config == "" {
		problem = o.Missing
	} else {
		if info, err := os.Stat(o.Config); err == nil && (!info.Mode().IsRegular() || info.Size() > 4<<20) {
			problem = fmt.Errorf("%s is not a file of a config's size", o.Config)
		} else if src, err = os.ReadFile(o.Config); err != nil {
			problem = err
		}
	}
	shown := ""
	if problem == nil {
		var err error
		if shown, err = discreet(src, &b.secrets); err != nil {
			problem = fmt.Errorf("%s can't be read as YAML, so that secrets can't be told from the rest; it is left out", o.Config)
		}
	}
	b.part("config.yaml", "the config without comments and secrets", func() (string, error) { return shown, problem })
	b.part("check.txt", "what `faultkeep check` says of the config; its line numbers are those of the file itself", func() (string, error) {
		if len(src) == 0 {
			return "", errors.New("there is no config to check")
		}
		l, problems := config.Load(o.Config)
		if len(problems) > 0 {
			if problem != nil { // what it quotes can't be told from secrets either
				return "", fmt.Errorf("the config isn't YAML; `faultkeep check` says where")
			}
			return problems.Error() + "\n", nil
		}
		loaded, zone = l, l.Location
		return l.Explain(), nil
	})
	return src, loaded, zone
}

// loose is one value of a config that may be wrong in other places; a path is
// seen from the config's folder.
func (b *Bundle) loose(src []byte, file string, keys ...string) string {
	path := find(src, keys)
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(file), path)
}

// kept adds what the daemon or the store tells.
func (b *Bundle) kept(ctx context.Context, o Options, data string, zone *time.Location) {
	within, stop := context.WithTimeout(ctx, o.Within)
	defer stop()
	since := b.Made.AddDate(0, 0, -o.Days)
	var a archive.Archive
	err := errors.New("no data folder is known; name it with --data")
	if data != "" {
		a, err = archive.Open(within, data)
	}
	from := func(f func(context.Context) (string, error)) func() (string, error) {
		return func() (string, error) {
			if err != nil {
				return "", err
			}
			each, stop := context.WithTimeout(ctx, o.Within) // one that hangs leaves time for the others
			defer stop()
			return f(each)
		}
	}
	running := false
	b.part("standing.json", "how things stand: drives now with their races where faultkeep runs, store, alerts", from(func(ctx context.Context) (string, error) {
		s, err := a.Standing(ctx, since)
		running = err == nil && s.Running
		return asJSON(s), err
	}))
	b.part("ledger.jsonl", fmt.Sprintf("the ledger of the last %d days, an entry a line", o.Days), from(func(ctx context.Context) (string, error) {
		list, err := a.Ledger(ctx, archive.Query{Since: since})
		var out strings.Builder
		for i := len(list) - 1; i >= 0; i-- {
			line, err := json.Marshal(list[i])
			if err != nil {
				return "", err
			}
			out.Write(append(line, '\n'))
		}
		return out.String(), err
	}))
	if o.Ledger != nil {
		b.part("ledger.txt", "the same as text", from(func(ctx context.Context) (string, error) { return o.Ledger(ctx, a, since, zone) }))
	}
	if err == nil {
		_ = a.Close() // a store that is read by us can't be opened once more
	}
	b.part("store.json", "sizes and counts of the store, read from its file", func() (string, error) {
		if data == "" {
			return "", err
		}
		if running {
			return "", errors.New("faultkeep runs and holds the store's file; standing.json has what it tells of it")
		}
		each, stop := context.WithTimeout(ctx, o.Within)
		defer stop()
		s, err := store.Open(each, store.Options{Path: filepath.Join(data, archive.StoreFile), ReadOnly: true})
		if err != nil {
			return "", err
		}
		defer s.Close()
		st, err := s.Stats(each)
		return asJSON(map[string]any{"stats": st, "unused_bytes": st.Size - st.Used,
			"verify": "when the store was last verified isn't noted; `faultkeep verify` verifies it now"}), err
	})
}

// Write writes the zip: first README.txt, then the parts.
func (b *Bundle) Write(w io.Writer) error {
	z := zip.NewWriter(w)
	put := func(name string, content []byte) error {
		f, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: b.Made})
		if err == nil {
			_, err = f.Write(content)
		}
		return err
	}
	if err := put("README.txt", []byte(b.index())); err != nil {
		return err
	}
	for _, p := range b.Parts {
		if p.Missing == "" {
			if err := put(p.Name, p.content); err != nil {
				return err
			}
		}
	}
	return z.Close()
}

// index says what is in the bundle.
func (b *Bundle) index() string {
	var t strings.Builder
	fmt.Fprintf(&t, "Support bundle of faultkeep, made %s.\n\nIn it:\n", b.Made.Format("2006-01-02 15:04:05 UTC"))
	for _, p := range b.Parts {
		if p.Missing == "" {
			fmt.Fprintf(&t, "  %-16s %s\n", p.Name, p.What)
		}
	}
	var missing strings.Builder
	for _, p := range b.Parts {
		if p.Missing != "" {
			fmt.Fprintf(&missing, "  %-16s %s\n", p.Name, p.Missing)
		}
	}
	if missing.Len() > 0 {
		t.WriteString("\nMissing, and why:\n" + missing.String())
	}
	t.WriteString(`
Taken out, and replaced by ` + removed + `: password hashes, what headers hold, paths of
webhooks, accounts of sinks, users and passwords in addresses, values of their queries, keys, the
token that commands use, and every value of the config whose key isn't known.
Wherever such a value turns up in another part it is taken out there too. Comments of the config are left out.

Still in it: names of the plant, its drives and users, network addresses, paths
of files, and the faults of the days it covers. Look through it before you pass
it on. Recordings aren't in it; ` + "`faultkeep export`" + ` writes them.
`)
	return t.String()
}

func asJSON(v any) string {
	out, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err.Error()
	}
	return string(out) + "\n"
}

// computer is what may be wrong below faultkeep.
func computer(data string) map[string]any {
	r := clock.Read()
	c := map[string]any{"time": r.Wall.UTC(), "zone": time.Now().Format("-07:00 MST"), "clock_error_known": r.Known}
	if r.Known {
		c["clock_error_seconds"] = r.MaxError.Seconds()
	}
	if data == "" {
		return c
	}
	c["data"] = data
	if free, err := store.FreeSpace(data); err == nil {
		c["free_bytes"] = free
	} else {
		c["free_bytes_missing"] = sentence(err)
	}
	return c
}

// versions are of everything that may matter.
func versions(ctx context.Context, build any) map[string]any {
	v := map[string]any{"faultkeep": build, "system": system(ctx)}
	if info, ok := debug.ReadBuildInfo(); ok {
		modules := map[string]string{}
		for _, m := range info.Deps {
			if m.Replace != nil {
				m = m.Replace
			}
			modules[m.Path] = m.Version
		}
		v["modules"] = modules
	}
	return v
}
