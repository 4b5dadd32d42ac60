package config_test

import (
	"strings"
	"testing"

	"faultkeep/configs/strict"
	"faultkeep/daemon/config"
)

// A program of 32 bits can't map a store of any size: it keeps to one that it
// can, and takes no larger one.
func TestStoreOf32Bits(t *testing.T) {
	defer config.Built32()()
	workdir(t)
	const drives = "data: data\ndrives: [{name: a, address: 192.0.2.1, map: maps/block.yaml}]\n"
	for limit, want := range map[string]strict.Size{"": 768 << 20, "store: {max_size: 20MiB}\n": 20 << 20} {
		l, problems := config.Parse("faultkeep.yaml", []byte(drives+limit))
		if len(problems) > 0 || l.Config.Store.MaxSize != want || !strings.Contains(l.Explain(), "when all come to more than "+want.String()+";") {
			t.Errorf("%q: %v: %s", limit, problems, l.Explain())
		}
	}
	_, problems := config.Parse("faultkeep.yaml", []byte(drives+"store: {max_size: 2GiB}\n"))
	if len(problems) != 1 || !strings.Contains(problems[0].Error(), "3:19: store.max_size: 2GiB is more than this program, built for 32 bits, can hold; write at most 768MiB") {
		t.Errorf("%v", problems)
	}
}
