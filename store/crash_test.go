package store_test

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// child runs keepLoop in a process of its own, under the given command if any.
func child(path string, first, count int, under ...string) *exec.Cmd {
	args := append(slices.Clone(under), os.Args[0])
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Env = append(os.Environ(), childEnv+"="+path,
		fmt.Sprint(childEnv, "_FIRST=", first), fmt.Sprint(childEnv, "_COUNT=", count))
	return cmd
}

// acknowledged reads the child's lines and returns what it said was kept.
func acknowledged(r io.Reader) (kept []int, failed []string, done bool) {
	for lines := bufio.NewScanner(r); lines.Scan(); {
		var n int
		switch line := lines.Text(); {
		case line == "done":
			done = true
		case strings.HasPrefix(line, "failed"):
			failed = append(failed, line)
		default:
			if _, err := fmt.Sscanf(line, "kept %d", &n); err == nil {
				kept = append(kept, n)
			}
		}
	}
	return kept, failed, done
}

// firstRead tells when something is read.
type firstRead struct {
	io.Reader
	tell func()
}

func (f firstRead) Read(b []byte) (int, error) {
	n, err := f.Reader.Read(b)
	if n > 0 {
		f.tell()
	}
	return n, err
}

// mustHold fails the test unless every acknowledged recording is in the store, byte for byte.
func mustHold(t *testing.T, path string, kept []int) {
	t.Helper()
	s, err := open(path)
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Damaged()) > 0 {
		t.Fatalf("set aside: %+v", s.Damaged())
	}
	for _, n := range kept {
		c, data := storetest.Recording("elevator", n, 4, 1000+n%7*900)
		got, _, err := s.Original(ctx, c.ID, capture.Data)
		if err != nil || !bytes.Equal(got, data) {
			t.Errorf("recording %d was acknowledged and isn't there (%v)", n, err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, path)
}

// Killed at any moment: what Keep acknowledged is there and verifies, and what
// was being pulled goes on.
func TestKilledAtAnyMoment(t *testing.T) { killed(t, "") }

// And with compactions going on all the time.
func TestKilledWhileCompacting(t *testing.T) { killed(t, "compact") }

func killed(t *testing.T, also string) {
	rounds := 25
	if testing.Short() {
		rounds = 4
	}
	path := filepath.Join(t.TempDir(), "faultkeep.db")
	r := rand.New(rand.NewPCG(7, 7))
	next, total := 0, 0
	for round := range rounds {
		cmd := child(path, next, 1<<30)
		cmd.Env = append(cmd.Env, childEnv+"_ALSO="+also)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// Every other one gets as far as its first recording, however slow the
		// machine is; the others may die before.
		die := sync.OnceFunc(func() {
			time.AfterFunc(time.Duration(20+r.IntN(200))*time.Millisecond, func() { _ = cmd.Process.Kill() })
		})
		if round%2 == 1 {
			die()
		}
		kept, failed, _ := acknowledged(firstRead{out, die})
		_ = cmd.Wait()
		if len(failed) > 0 {
			t.Fatalf("the child: %v", failed)
		}
		mustHold(t, path, kept)
		if len(kept) > 0 {
			next = kept[len(kept)-1] + 1
		}
		total += len(kept)
	}
	if total == 0 {
		t.Error("no child lived long enough to keep anything")
	}
	t.Logf("%d recordings kept over %d kills", total, rounds)
	s := must[*store.Store](t)(open(path))
	defer s.Close()
	if drafts := must[[]*store.Draft](t)(s.Drafts(ctx, "")); len(drafts) > 1 {
		t.Errorf("%d drafts left; the child resumes the one that was open", len(drafts))
	}
}

// The disk refuses to sync, or to write, now and then (errors put into system
// calls by strace): nothing acknowledged is lost, and keeping goes on.
func TestDiskThatFails(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Skip("strace isn't installed")
	}
	for _, inject := range []string{
		"fdatasync:error=EIO:when=9+7",  // both the first and the second sync of a commit, in turn
		"fdatasync:error=EIO:when=10+8", //
		"pwrite64:error=EIO:when=40+61",
		"pwrite64:error=ENOSPC:when=30+47",
		"ftruncate:error=ENOSPC:when=2+3",
		"fsync:error=EIO:when=9+3",
	} {
		t.Run(inject, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "faultkeep.db")
			call, _, _ := strings.Cut(inject, ":")
			cmd := child(path, 0, 40, strace, "-f", "-qq", "-o", os.DevNull, "-e", "trace="+call, "-e", "inject="+inject)
			out, err := cmd.Output()
			if err != nil && len(out) == 0 {
				t.Skipf("strace doesn't work here: %v", err)
			}
			kept, failed, done := acknowledged(bytes.NewReader(out))
			if !done || len(kept) != 40 {
				t.Errorf("%d of 40 kept, done %v; last failure: %v", len(kept), done, failed[max(0, len(failed)-1):])
			}
			t.Logf("%d tries failed on the way", len(failed))
			mustHold(t, path, kept)
		})
	}
}
