package store

import (
	"fmt"
	"os"
	"strings"
	"syscall"
)

func holderByLocks(path string) (owner, bool) {
	info, err := os.Stat(path)
	if err != nil {
		return owner{}, false
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return owner{}, false
	}
	locks, err := os.Open("/proc/locks")
	if err != nil {
		return owner{}, false
	}
	defer locks.Close()
	pid, ok := parseLocks(locks, stat.Ino)
	if !ok {
		return owner{}, false
	}
	name, _ := os.ReadFile(fmt.Sprintf("/proc/%d/comm", pid))
	return owner{PID: pid, Program: strings.TrimSpace(string(name))}, true
}
