package folder

import (
	"context"
	"fmt"
	"io/fs"
	"log/slog"
	"sync"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/faultcode"
	"faultkeep/store/format"
)

// Options make a Folder.
type Options struct {
	Config   Config // Path absolute
	Decoders []format.Decoder
	Faults   faultcode.Tables
	Zone     *time.Location    // of time stamps that name none; nil: UTC
	Group    Group             // nil: ByName
	Titles   map[string]string // of drives, as people call them
	Disk     Disk              // nil: the computer's own
	Notices  bool              // let the system tell of changes: a look comes sooner then
	Log      *slog.Logger
}

// Folder watches one folder. It is a sources.Source.
type Folder struct {
	Options
	reader Reader
	pulse  sources.Pulse

	mu  sync.Mutex
	now Now
}

// Now is how a folder was at the last look, for live displays.
type Now struct {
	LastSeen time.Time // last look that found it readable
	Files    int       // there then
	Waiting  int       // sets of files that aren't finished or complete
	Trouble  string    // why it can't be read, one sentence; empty if it can
}

var _ sources.Source = (*Folder)(nil)

// New makes a Folder; nothing is read before Watch. The error is about the
// config's expressions or its from.
func New(o Options) (*Folder, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	o.Log = o.Log.With("folder", o.Config.Name)
	if o.Disk == nil {
		o.Disk = osDisk{}
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	f := &Folder{Options: o, reader: Reader{Config: o.Config, Root: o.Config.Path, Decoders: o.Decoders,
		Faults: o.Faults, Zone: o.Zone, Group: o.Group, Titles: o.Titles}}
	if err := f.reader.Prepare(); err != nil {
		return nil, fmt.Errorf("folder %s: %w", o.Config.Name, err)
	}
	if _, _, err := o.Config.Baseline(o.Zone); err != nil {
		return nil, fmt.Errorf("folder %s: from: %q is neither now, all nor a date", o.Config.Name, o.Config.From)
	}
	return f, nil
}

// Pulse shows that the watch goes on: it beats at every look and every set of
// files, and while a share that hangs is waited for.
func (f *Folder) Pulse() *sources.Pulse { return &f.pulse }

// longestStep is the longest that one step may take beside the wait between two
// looks: to list the folder, or to decode a set of files and keep it.
const longestStep = 5 * time.Minute

func (f *Folder) beat() { f.pulse.Beat(f.Config.scan() + longestStep) }

// Name is the folder's name in the config.
func (f *Folder) Name() string { return f.Config.Name }

// Title is the folder as people call it.
func (f *Folder) Title() string {
	if f.Config.Title != "" {
		return f.Config.Title
	}
	return f.Config.Name
}

// Now is how the folder was at the last look.
func (f *Folder) Now() Now {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.now
}

func (f *Folder) show(change func(*Now)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change(&f.now)
}

// Watch looks through the folder again and again and keeps what is finished,
// until ctx ends.
func (f *Folder) Watch(ctx context.Context, k sources.Keeper) error {
	w := &watch{Folder: f, k: k, started: time.Now(), states: map[string]*state{}}
	w.memory, w.news = map[string]string{}, map[string]string{}
	defer w.unnotice()
	loaded := false
	for ctx.Err() == nil {
		w.beat()
		loaded = loaded || w.load(ctx)
		began := time.Now()
		next := time.Second
		if loaded {
			next = w.look(ctx)
		}
		w.wait(ctx, next, time.Since(began))
	}
	return nil
}

// watch is one run of Watch.
type watch struct {
	*Folder
	k       sources.Keeper
	started time.Time

	memory map[string]string // what became of each path; see known.go
	news   map[string]string // of memory, what the Keeper doesn't know yet
	begun  bool              // the first look is done, in this run or one before

	states   map[string]*state // of sets that aren't dealt with, by their first path
	root     fs.FileInfo       // of the last good look
	lastGood time.Time
	told     string // the blind spell that the ledger knows; "watched": none
	hanging  chan looked
	listed   bool // once at least
	notices  *notices
	troubles map[string]bool // told already
}

// leastGap is the shortest time between two looks; together with a share of
// what a look takes it bounds what the watching of a large folder costs.
const leastGap = 200 * time.Millisecond

// wait returns when the next look is due: after the given time, or soon after
// the system told of a change.
func (w *watch) wait(ctx context.Context, next, took time.Duration) {
	gap := max(leastGap, min(10*took, w.Config.scan())) // what was kept meanwhile took its time too
	t := time.NewTimer(max(next, gap))
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	case <-w.changes():
		rest := time.NewTimer(gap) // more may come
		defer rest.Stop()
		select {
		case <-ctx.Done():
		case <-rest.C:
		}
	}
}

func (w *watch) observe(ctx context.Context, o sources.Observation) bool {
	o.Time = time.Now().UTC()
	if o.Drive == "" {
		o.Drive, o.Title = w.Name(), w.Title()
	}
	err := w.k.Observe(ctx, o)
	if err != nil && ctx.Err() == nil {
		w.Log.Error("the ledger doesn't take what was seen", "kind", o.Kind, "error", err)
	}
	return err == nil
}

// trouble tells once of something to mend.
func (w *watch) trouble(ctx context.Context, key, text string) {
	if w.troubles == nil || len(w.troubles) > 1000 {
		w.troubles = map[string]bool{}
	}
	if w.troubles[key+text] {
		return
	}
	w.troubles[key+text] = true
	w.Log.Warn(text)
	w.observe(ctx, sources.Observation{Kind: sources.SeenTrouble, Text: text})
}
