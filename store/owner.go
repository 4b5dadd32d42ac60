package store

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// owner is who holds the store's file, for the message of whoever finds it
// locked. A small file beside the store carries it, since a locked file may
// not be readable; where the system lists its locks, that is asked first.
type owner struct {
	PID     int
	Program string
	Since   time.Time // zero: not known
}

func (o owner) String() string {
	switch {
	case o.PID == 0:
		return "another process"
	case o.Program == "":
		return fmt.Sprintf("process %d", o.PID)
	}
	return fmt.Sprintf("%s (process %d)", o.Program, o.PID)
}

func (s *Store) ownerPath() string { return s.opt.Path + ".owner" }

// own writes who we are. It is help for a message, so its failure isn't one.
func (s *Store) own() {
	o := fmt.Sprintf("%d %s %s\n", os.Getpid(), s.now().Format(time.RFC3339), filepath.Base(os.Args[0]))
	if err := os.WriteFile(s.ownerPath(), []byte(o), 0o644); err != nil {
		s.log.Debug("the store's owner file can't be written", "err", err)
	}
}

func (s *Store) disown() {
	if !s.opt.ReadOnly {
		_ = os.Remove(s.ownerPath())
	}
}

// holder finds out who holds the store's file.
func (s *Store) holder() owner {
	if o, ok := holderByLocks(s.opt.Path); ok {
		return o
	}
	b, err := os.ReadFile(s.ownerPath())
	if err != nil {
		return owner{}
	}
	return parseOwner(string(b))
}

func parseOwner(line string) owner {
	fields := strings.SplitN(strings.TrimSpace(line), " ", 3)
	if len(fields) != 3 {
		return owner{}
	}
	pid, err := strconv.Atoi(fields[0])
	if err != nil || pid <= 0 {
		return owner{}
	}
	since, err := time.Parse(time.RFC3339, fields[1])
	if err != nil {
		return owner{}
	}
	return owner{PID: pid, Program: fields[2], Since: since}
}

// parseLocks finds the process that holds a lock on a file in the format of
// Linux's /proc/locks: "1: FLOCK ADVISORY WRITE 1234 08:01:131 0 EOF".
func parseLocks(r io.Reader, inode uint64) (pid int, ok bool) {
	lines := bufio.NewScanner(r)
	for lines.Scan() {
		f := strings.Fields(lines.Text())
		if len(f) < 6 || f[1] == "->" || f[1] != "FLOCK" {
			continue
		}
		_, ino, found := cutLast(f[5], ':')
		if n, err := strconv.ParseUint(ino, 10, 64); !found || err != nil || n != inode {
			continue
		}
		if pid, err := strconv.Atoi(f[4]); err == nil && pid > 0 {
			return pid, true
		}
	}
	return 0, false
}

func cutLast(s string, sep byte) (before, after string, found bool) {
	if i := strings.LastIndexByte(s, sep); i >= 0 {
		return s[:i], s[i+1:], true
	}
	return s, "", false
}
