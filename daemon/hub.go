package daemon

import (
	"slices"
	"sync"
	"time"

	"faultkeep/daemon/web"
	"faultkeep/sources"
	"faultkeep/sources/folder"
	"faultkeep/sources/modbus"
	"faultkeep/store/capture"
)

// hub knows what is going on now and tells whoever wants to see it live.
type hub struct {
	mu        sync.Mutex
	drives    []*modbus.Drive // in the order of the config
	folders   []*folder.Folder
	now       map[string]*happening
	listeners map[chan struct{}]bool
	witnesses []func(sources.Observation)
}

// happening is what was last observed of one drive.
type happening struct {
	watched bool
	blind   time.Time // since when it isn't watched; zero: it is, or that isn't known yet
	note    string
	pulling bool
	done    int64
	size    int64
}

func newHub(drives []*modbus.Drive, folders []*folder.Folder) *hub {
	h := &hub{now: map[string]*happening{}, listeners: map[chan struct{}]bool{}}
	h.set(drives, folders)
	return h
}

// set says what is watched from now on. What was observed of the same drives
// and folders stays.
func (h *hub) set(drives []*modbus.Drive, folders []*folder.Folder) {
	h.mu.Lock()
	now := map[string]*happening{}
	for _, d := range drives {
		now[d.Name()] = &happening{note: "not reached yet"}
		if slices.Contains(h.drives, d) {
			now[d.Name()] = h.now[d.Name()]
		}
	}
	for _, f := range folders {
		now[f.Name()] = &happening{note: "not looked into yet"}
		if slices.Contains(h.folders, f) {
			now[f.Name()] = h.now[f.Name()]
		}
	}
	h.drives, h.folders, h.now = drives, folders, now
	h.mu.Unlock()
	h.changed()
}

// list is what is watched, with what was last observed of each.
func (h *hub) list() (drives []*modbus.Drive, folders []*folder.Folder, now map[string]happening) {
	h.mu.Lock()
	defer h.mu.Unlock()
	now = make(map[string]happening, len(h.now))
	for name, n := range h.now {
		now[name] = *n
	}
	return h.drives, h.folders, now
}

// saw takes in one observation and wakes the listeners.
func (h *hub) saw(o sources.Observation) {
	h.mu.Lock()
	if n := h.now[o.Drive]; n != nil {
		n.take(o)
	}
	h.mu.Unlock()
	h.changed()
	for _, see := range h.witnesses {
		see(o)
	}
}

// changed wakes the listeners: something that pages show is different now.
func (h *hub) changed() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for ch := range h.listeners {
		select {
		case ch <- struct{}{}:
		default: // it has a wake-up waiting already
		}
	}
}

// witness shows everything that happens to see. It must be called before
// anything does.
func (h *hub) witness(see func(sources.Observation)) { h.witnesses = append(h.witnesses, see) }

func (n *happening) take(o sources.Observation) {
	switch o.Kind {
	case sources.SeenWatched:
		n.watched, n.note, n.blind = true, "", time.Time{}
	case sources.SeenBlind:
		n.watched, n.note = false, sentences(o.Text, o.Advice)
		if n.blind.IsZero() { // another cause doesn't begin another spell
			n.blind = o.Since
		}
	case sources.SeenDrift, sources.SeenRace, sources.SeenTrouble, sources.SeenNotArm:
		n.note = sentences(o.Text, o.Advice)
	case sources.SeenArmed:
		n.note = ""
	case sources.SeenPulling:
		n.pulling, n.done, n.size = true, o.Done, o.Size
	case sources.SeenKept, sources.SeenMiss:
		n.pulling = false
	case sources.SeenState:
		if o.State != capture.Ready {
			n.pulling = false
		}
	}
}

func sentences(text, advice string) string {
	if advice == "" {
		return text
	}
	return text + " " + advice
}

// Drives are all drives as they are now; it is part of web.Live.
func (h *hub) Drives() []web.DriveNow {
	drives, folders, seen := h.list()
	out := make([]web.DriveNow, 0, len(drives)+len(folders))
	for _, d := range drives {
		now, n := d.Now(), seen[d.Name()]
		out = append(out, web.DriveNow{
			Name: d.Name(), Title: d.Title(), Address: d.Address(),
			State: now.State, Reachable: now.Trouble == "" && !now.LastSeen.IsZero(), Watched: n.watched,
			LastSeen: now.LastSeen, Polled: now.Polled, Fault: now.Fault, Tripped: now.Tripped,
			Pulling: n.pulling, Done: n.done, Size: n.size, Race: now.Race.Words(), Note: noteOf(n, now), Figures: figures(now.Race),
		})
	}
	for _, f := range folders {
		out = append(out, folderNow(f, seen[f.Name()]))
	}
	return out
}

func figures(r modbus.Race) web.Race {
	return web.Race{Pull: r.Pull(), Need: r.Need(), Survived: r.Survived, ResetAfter: r.ResetAfter, Advice: r.Advice()}
}

func noteOf(n happening, now modbus.Now) string {
	if now.Trouble != "" {
		return now.Trouble
	}
	return n.note
}

// Changes is sent to whenever something changed; it is part of web.Live.
func (h *hub) Changes() (<-chan struct{}, func()) {
	ch := make(chan struct{}, 1)
	h.mu.Lock()
	h.listeners[ch] = true
	h.mu.Unlock()
	return ch, func() {
		h.mu.Lock()
		delete(h.listeners, ch)
		h.mu.Unlock()
	}
}

// names lists the drives and folders.
func (h *hub) names() []string {
	drives, folders, _ := h.list()
	out := make([]string, 0, len(drives)+len(folders))
	for _, s := range all(drives, folders) {
		out = append(out, s.Name())
	}
	return out
}

// beatEvery is how often the ledger notes that faultkeep is still watching.
const beatEvery = 3 * time.Minute
