package daemon

import (
	"faultkeep/store"
)

// Stuck names the drives and folders whose watch has stopped making progress.
// One that can't be reached isn't among them: its watch goes on.
func (a *App) Stuck() (names []string) {
	drives, folders, _ := a.hub.list()
	for _, s := range all(drives, folders) {
		if p, ok := s.(pulsed); ok && p.Pulse().Late() > 0 {
			names = append(names, s.Name())
		}
	}
	return names
}

// unready says in one word each what keeps faultkeep from doing its work:
// "watching", "store", "clock".
func (a *App) unready() (words []string) {
	if !a.started.Load() || len(a.Stuck()) > 0 {
		words = append(words, "watching")
	}
	if a.watching.keep.failing.Load() || a.Store.Stage() >= store.Refusing {
		words = append(words, "store")
	}
	if a.clockUnsure.Load() {
		words = append(words, "clock")
	}
	return words
}
