package store_test

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// peer is a program that the test needs; without it the test is skipped,
// unless it is required.
func peer(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" && runtime.GOOS == "linux" {
		t.Fatal(err)
	}
	t.Skip("there is no ", name)
	return ""
}

// writeCalls are the system calls that change a file or make it durable.
var writeCalls = []string{"pwrite64", "fdatasync", "fsync", "ftruncate"}

// keepOf is the recording whose keeping is looked at: two appends and a keep.
// Those before it warm up.
const keepOf = 2

// tracedKeep keeps recordings 0 to keepOf once and counts, for each of
// writeCalls, the calls of the keeping thread before and up to the end of keepOf.
func tracedKeep(t *testing.T, strace string) (before, until map[string]int) {
	t.Helper()
	dir := t.TempDir()
	log := filepath.Join(dir, "log")
	cmd := child(filepath.Join(dir, "faultkeep.db"), 0, keepOf+1, strace, "-f", "-qq", "-o", log, "-e", "trace=write,"+strings.Join(writeCalls, ","))
	out, err := cmd.Output()
	if err != nil && len(out) == 0 {
		if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
			t.Fatal(err)
		}
		t.Skipf("strace doesn't work here: %v", err)
	}
	b, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	// A line is "1234  pwrite64(5, …". Lines of calls that another thread
	// interrupted end in "<unfinished ...>"; their rest isn't counted.
	counts := map[string]map[string]int{}
	for lines := bufio.NewScanner(bytes.NewReader(b)); lines.Scan(); {
		thread, rest, _ := strings.Cut(lines.Text(), " ")
		call, arguments, ok := strings.Cut(strings.TrimSpace(rest), "(")
		if !ok {
			continue
		}
		if call != "write" {
			if counts[thread] == nil {
				counts[thread] = map[string]int{}
			}
			counts[thread][call]++
			continue
		}
		snapshot := map[string]int{}
		for _, call := range writeCalls {
			snapshot[call] = counts[thread][call]
		}
		switch {
		case strings.Contains(arguments, fmt.Sprintf(`"kept %d\n"`, keepOf-1)):
			before = snapshot
		case strings.Contains(arguments, fmt.Sprintf(`"kept %d\n"`, keepOf)):
			until = snapshot
		}
	}
	if before == nil || until == nil || until["pwrite64"] < before["pwrite64"]+6 || until["fdatasync"] != before["fdatasync"]+6 {
		t.Fatalf("three commits take two syncs each: counted %v before and %v until the end", before, until)
	}
	return before, until
}

// Every single write and sync of one keep is the last thing that the process
// does, or fails once: what was acknowledged is there and verifies, and the
// recording is kept in the end.
func TestEveryWriteOfAKeep(t *testing.T) {
	strace := peer(t, "strace")
	before, until := tracedKeep(t, strace)
	runs := 0
	for _, call := range writeCalls {
		for n := before[call] + 1; n <= until[call]; n++ {
			if (testing.Short() || raceEnabled) && n%5 != 0 { // a process takes a second to start then
				continue
			}
			for _, what := range []string{"signal=KILL", "error=EIO", "error=ENOSPC"} {
				inject := fmt.Sprintf("%s:%s:when=%d", call, what, n)
				if strings.Contains(call, "sync") && what == "error=ENOSPC" {
					continue
				}
				runs++
				t.Run(inject, func(t *testing.T) {
					path := filepath.Join(t.TempDir(), "faultkeep.db")
					cmd := child(path, 0, keepOf+1, strace, "-f", "-qq", "-o", os.DevNull, "-e", "trace="+call, "-e", "inject="+inject)
					out, _ := cmd.Output()
					kept, _, done := acknowledged(bytes.NewReader(out))
					killed := what == "signal=KILL"
					if killed == done || killed && len(kept) != keepOf {
						t.Errorf("%d acknowledged, done %v", len(kept), done)
					}
					mustHold(t, path, kept)
					out, _ = child(path, 0, keepOf+1).Output() // and goes on
					kept, failed, done := acknowledged(bytes.NewReader(out))
					if !done || len(kept) != keepOf+1 || len(failed) > 0 {
						t.Errorf("afterwards: %d kept, done %v, %v", len(kept), done, failed)
					}
					mustHold(t, path, kept)
				})
			}
		}
	}
	t.Logf("%d runs: calls %v to %v", runs, before, until)
}

// Before the compacted file takes the store's name all of it is synced, and
// the folder is before anything more is written: seen from outside, call by call.
func TestCompactionSyncsBeforeItRenames(t *testing.T) {
	strace := peer(t, "strace")
	dir := t.TempDir()
	path, log := filepath.Join(dir, "faultkeep.db"), filepath.Join(dir, "log")
	cmd := child(path, 0, 12, strace, "-f", "-y", "-qq", "-o", log, "-e", "trace=/^rename,"+strings.Join(writeCalls, ","))
	cmd.Env = append(cmd.Env, childEnv+"_ALSO=compact at the end")
	if out, err := cmd.Output(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	b, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	copied, renamed := path+".compacting", false
	unsynced, folderUnsynced := 0, false
	for lines := bufio.NewScanner(bytes.NewReader(b)); lines.Scan(); {
		line := lines.Text()
		to := func(file string) bool { return strings.Contains(line, "<"+file+">") } // as strace shows a handle
		switch {
		case strings.Contains(line, "rename"):
			if !strings.Contains(line, `"`+copied+`"`) {
				continue
			}
			if unsynced > 0 {
				t.Errorf("renamed with %d writes that weren't synced", unsynced)
			}
			renamed, folderUnsynced = true, true
		case strings.Contains(line, "sync(") && to(copied):
			unsynced = 0
		case strings.Contains(line, "sync(") && to(dir):
			folderUnsynced = false
		case strings.Contains(line, "pwrite64(") && to(copied) && !renamed:
			unsynced++
		case strings.Contains(line, "pwrite64(") && to(path) && folderUnsynced:
			t.Error("written to before the folder was synced")
			folderUnsynced = false
		}
	}
	if !renamed || folderUnsynced {
		t.Errorf("renamed %v, folder not synced %v:\n%s", renamed, folderUnsynced, b)
	}
	var all []int
	for n := range 12 {
		all = append(all, n)
	}
	mustHold(t, path, all)
}
