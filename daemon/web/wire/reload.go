package wire

import (
	"strings"

	"faultkeep/configs/strict"
)

// Reloaded is what became of a config file that was read again.
type Reloaded struct {
	Config   string          `json:"config"`   // path of the file
	OK       bool            `json:"ok"`       // false: the config as it was stays in force
	Problems strict.Problems `json:"problems"` // all that is wrong with the file

	// Drives and folders, by name.
	Added       []string `json:"added"`
	Removed     []string `json:"removed"`
	Restarted   []string `json:"restarted"`
	Undisturbed []string `json:"undisturbed"`

	Taken []string `json:"taken"`      // what else works by the new config
	Later []string `json:"next_start"` // what takes effect at the next start, a sentence each
}

// Words tell in sentences what has changed.
func (r Reloaded) Words() (out []string) {
	say := func(what string, names []string) {
		if len(names) > 0 {
			out = append(out, what+" "+strings.Join(names, ", ")+".")
		}
	}
	say("Watched from now on:", r.Added)
	say("Not watched any more:", r.Removed)
	say("Watched anew, with other settings:", r.Restarted)
	say("Other settings taken:", r.Taken)
	if len(out) == 0 {
		out = append(out, "Nothing that can change while faultkeep runs is different.")
	}
	say("Watched on undisturbed:", r.Undisturbed)
	return append(out, r.Later...)
}
