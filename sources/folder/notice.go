package folder

import (
	"path"
	"path/filepath"
	"sync/atomic"

	"github.com/fsnotify/fsnotify"
)

// notices shorten the wait for the next look. They are never relied on: shares
// send none, and a folder that is exchanged goes silent.
type notices struct {
	w       *fsnotify.Watcher
	changed chan struct{}
	folders map[string]bool
	broken  atomic.Bool // something may have been overlooked, or a folder is gone
}

// mostNoticed is how many folders the system is asked to tell of.
const mostNoticed = 500

// changes is sent to when the system tells of a change.
func (w *watch) changes() <-chan struct{} {
	if w.notices == nil {
		return nil
	}
	return w.notices.changed
}

// notice asks the system to tell of changes in the folder, and in those of its
// subfolders in which files are.
func (w *watch) notice(l Listing) {
	if !w.Notices {
		return
	}
	if w.notices != nil && w.notices.broken.Load() {
		w.unnotice()
	}
	if w.notices == nil {
		fw, err := fsnotify.NewWatcher()
		if err != nil {
			return
		}
		w.notices = &notices{w: fw, changed: make(chan struct{}, 1), folders: map[string]bool{}}
		go w.notices.run()
	}
	w.notices.add(w.Config.Path)
	for _, e := range l.Entries {
		w.notices.add(filepath.Join(w.Config.Path, filepath.FromSlash(path.Dir(e.Name))))
	}
}

func (n *notices) add(folder string) {
	if n.folders[folder] || len(n.folders) >= mostNoticed {
		return
	}
	n.folders[folder] = true
	_ = n.w.Add(folder)
}

// run ends when the watcher is closed. Errors mean no more than that something
// may have been overlooked: the next look finds it.
func (n *notices) run() {
	for {
		select {
		case e, ok := <-n.w.Events:
			if !ok {
				return
			}
			if e.Op == fsnotify.Chmod || junk(filepath.Base(e.Name)) {
				continue
			}
			if e.Has(fsnotify.Remove) || e.Has(fsnotify.Rename) {
				n.broken.Store(true) // it may have been one of the folders
			}
		case _, ok := <-n.w.Errors:
			if !ok {
				return
			}
			n.broken.Store(true)
		}
		select {
		case n.changed <- struct{}{}:
		default:
		}
	}
}

func (w *watch) unnotice() {
	if w.notices != nil {
		_ = w.notices.w.Close()
		w.notices = nil
	}
}
