package daemon

import (
	"faultkeep/sources"
	"faultkeep/store"
)

// Keeping is the door from sources to a store, as the App has it.
func Keeping(s *store.Store) sources.Keeper { return &keeper{store: s, hub: newHub(nil, nil)} }
