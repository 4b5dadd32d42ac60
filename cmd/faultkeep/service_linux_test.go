package main

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"syscall"
	"testing"

	"faultkeep/daemon/alert"
)

// What `systemctl show` of systemd 252 said, by hand, for a service that runs,
// one that keeps failing, a stopped one, and one that isn't there.
func TestStateOf(t *testing.T) {
	for name, one := range map[string]struct {
		shown string
		want  state
	}{
		"running": {"MainPID=71\nNRestarts=1\nLoadState=loaded\nActiveState=active\nSubState=running\nUnitFileState=enabled\nActiveEnterTimestamp=Wed 2026-11-25 17:20:01 UTC\n",
			state{Installed: true, AtBoot: true, Running: true, PID: 71, Restarts: 1, Since: "Wed 2026-11-25 17:20:01 UTC"}},
		"failing": {"MainPID=0\nNRestarts=4\nLoadState=loaded\nActiveState=activating\nSubState=auto-restart\nUnitFileState=enabled\nActiveEnterTimestamp=Wed 2026-11-25 17:20:01 UTC\n",
			state{Installed: true, AtBoot: true, Restarting: true, Restarts: 4}},
		"between": {"MainPID=0\nNRestarts=5\nLoadState=loaded\nActiveState=activating\nSubState=start\nUnitFileState=enabled\nActiveEnterTimestamp=\n",
			state{Installed: true, AtBoot: true, Restarting: true, Restarts: 5}},
		"stopped":                   {"MainPID=0\nNRestarts=0\nLoadState=loaded\nActiveState=inactive\nSubState=dead\nUnitFileState=disabled\nActiveEnterTimestamp=\n", state{Installed: true}},
		"packaged, never asked for": {"LoadState=loaded\nActiveState=inactive\nUnitFileState=disabled\nFragmentPath=/lib/systemd/system/faultkeep.service\n", state{}},
		"packaged, started by hand": {"MainPID=9\nLoadState=loaded\nActiveState=active\nUnitFileState=disabled\nFragmentPath=/usr/lib/systemd/system/faultkeep.service\n",
			state{Installed: true, Running: true, PID: 9}},
		"absent":  {"MainPID=0\nNRestarts=0\nLoadState=not-found\nActiveState=inactive\nSubState=dead\nUnitFileState=\nActiveEnterTimestamp=\n", state{}},
		"silence": {"", state{}},
	} {
		if got := stateOf(one.shown); !reflect.DeepEqual(got, one.want) {
			t.Errorf("%s: %+v, want %+v", name, got, one.want)
		}
	}
}

// A folder is taken over only where nothing but faultkeep's own is in it.
func TestGiveData(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root can give folders away")
	}
	nobody := owner{65534, 65534}
	belongs := func(path string) int {
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		return int(info.Sys().(*syscall.Stat_t).Uid)
	}
	base := t.TempDir()
	fresh := filepath.Join(base, "fresh")
	if made, err := giveData(fresh, nobody); err != nil || !made || belongs(fresh) != nobody.uid {
		t.Errorf("fresh: %v, %v", made, err)
	}
	if info, err := os.Stat(fresh); err != nil || info.Mode().Perm() != 0o750 {
		t.Errorf("fresh: %v, %v", info.Mode(), err)
	}
	ours, theirs, linked := filepath.Join(base, "ours"), filepath.Join(base, "theirs"), filepath.Join(base, "linked")
	err := errors.Join(os.Mkdir(ours, 0o700), os.Mkdir(theirs, 0o755), os.Mkdir(linked, 0o755),
		os.WriteFile(filepath.Join(ours, "faultkeep.db"), nil, 0o600), os.WriteFile(filepath.Join(theirs, "faultkeep.db"), nil, 0o600),
		os.WriteFile(filepath.Join(theirs, "passwd"), nil, 0o600), os.Symlink(filepath.Join(theirs, "passwd"), filepath.Join(linked, "faultkeep.db")))
	if err != nil {
		t.Fatal(err)
	}
	if made, err := giveData(ours, nobody); err != nil || made || belongs(ours) != nobody.uid || belongs(filepath.Join(ours, "faultkeep.db")) != nobody.uid {
		t.Errorf("ours: %v, %v", made, err)
	}
	for _, folder := range []string{theirs, linked} {
		if made, err := giveData(folder, nobody); err != nil || made || belongs(folder) != 0 {
			t.Errorf("%s: %v, %v", folder, made, err)
		}
	}
	if belongs(filepath.Join(theirs, "passwd")) != 0 {
		t.Error("what a link leads to was given away")
	}
	if _, err := giveData(filepath.Join(base, "none", "deep"), nobody); err == nil {
		t.Error("a folder whose parent is missing was made")
	}
}

// What only root can read is handed over, and to nobody but the account.
func TestHandOver(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root can give files away")
	}
	secret := filepath.Join(t.TempDir(), "hook.key")
	if err := os.WriteFile(secret, []byte("word\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	folder, err := handOver([]string{secret}, owner{65534, 65534})
	defer os.RemoveAll(folder)
	if err != nil {
		t.Fatal(err)
	}
	for path, mode := range map[string]os.FileMode{folder: 0o700, filepath.Join(folder, alert.Credential(secret)): 0o400} {
		info, err := os.Stat(path)
		if err != nil || info.Mode().Perm() != mode || info.Sys().(*syscall.Stat_t).Uid != 65534 {
			t.Errorf("%s: %v, %v", path, info, err)
		}
	}
	if folder, err := handOver([]string{secret + "none"}, owner{65534, 65534}); err == nil {
		t.Error("a secret that isn't there was handed over")
	} else if err := os.Remove(folder); err != nil {
		t.Error(err)
	}
}

// Only folders that aren't there are made: others belong to somebody.
func TestMissing(t *testing.T) {
	there := t.TempDir()
	gone := filepath.Join(there, "briefs")
	if got := missing([]string{there, gone}); len(got) != 1 || got[0] != gone {
		t.Error(got)
	}
}
