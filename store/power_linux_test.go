package store_test

import (
	"bufio"
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// disk is an ext4 file system in a file, which can lose power.
type disk struct {
	t     *testing.T
	image string
	mount string
}

// newDisk needs root and loop devices; without them the test is skipped.
func newDisk(t *testing.T) *disk {
	mkfs := peer(t, "mkfs.ext4")
	dir := t.TempDir()
	d := &disk{t, filepath.Join(dir, "disk"), filepath.Join(dir, "mount")}
	if err := os.Mkdir(d.mount, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(d.image, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(d.image, 192*mib); err != nil {
		t.Fatal(err)
	}
	d.run(mkfs, "-q", "-F", d.image)
	if out, err := exec.Command("mount", "-o", "loop,noauto_da_alloc", d.image, d.mount).CombinedOutput(); err != nil {
		if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
			t.Fatalf("mount: %v\n%s", err, out)
		}
		t.Skipf("no disk can be mounted here: %s", out)
	}
	t.Cleanup(func() { _ = exec.Command("umount", "-l", d.mount).Run() })
	return d
}

func (d *disk) run(name string, args ...string) {
	d.t.Helper()
	if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
		d.t.Fatalf("%s: %v\n%s", name, err, out)
	}
}

// cut is the power cut: from now on nothing reaches the disk, not even what
// the kernel still holds (EXT4_IOC_SHUTDOWN with EXT4_GOING_FLAGS_NOLOGFLUSH,
// linux/fs/ext4/ext4.h).
func (d *disk) cut() {
	d.t.Helper()
	const shutdown, noLogFlush = 0x8004587D, 2
	f, err := os.Open(d.mount)
	if err != nil {
		d.t.Fatal(err)
	}
	defer f.Close()
	if err := unix.IoctlSetPointerInt(int(f.Fd()), shutdown, noLogFlush); err != nil {
		if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
			d.t.Fatal(err)
		}
		d.t.Skipf("this file system can't be shut down: %v", err)
	}
}

// again mounts the disk once more, as after power came back.
func (d *disk) again() {
	d.t.Helper()
	d.run("umount", d.mount)
	d.run("mount", "-o", "loop,noauto_da_alloc", d.image, d.mount)
}

// powerCuts keeps recordings in a process of its own, cuts the power at some
// moment, and counts over all rounds what had been acknowledged and what of it
// is gone afterwards.
func powerCuts(t *testing.T, also string, rounds int) (all, lost int) {
	d := newDisk(t)
	path := filepath.Join(d.mount, "faultkeep.db")
	r := rand.New(rand.NewPCG(11, uint64(rounds)))
	var kept []int
	for round := range rounds {
		first := 0
		if len(kept) > 0 {
			first = kept[len(kept)-1] + 1
		}
		cmd := child(path, first, 1<<20)
		cmd.Env = append(cmd.Env, childEnv+"_ALSO="+also)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// The child's acknowledgements are read until the power goes; what it
		// says afterwards wasn't said by a machine that was still running.
		var off atomic.Bool
		now := make(chan int)
		go func() {
			defer close(now)
			for lines := bufio.NewScanner(out); lines.Scan(); {
				var n int
				if _, err := fmt.Sscanf(lines.Text(), "kept %d", &n); err == nil && !off.Load() {
					now <- n
				}
			}
		}()
		// Mostly from the first acknowledgement on, which a busy machine may keep
		// waiting; some cuts come while the store is only being opened.
		wait := time.Duration(60+r.IntN(250)) * time.Millisecond
		var after <-chan time.Time
		if also != "nosync" && round%4 == 3 {
			after = time.After(wait)
		}
	running:
		for {
			select {
			case n, ok := <-now:
				if !ok {
					t.Fatal("the child ended by itself")
				}
				kept = append(kept, n)
				if after == nil {
					after = time.After(wait)
				}
			case <-after:
				off.Store(true)
				break running
			}
		}
		d.cut()
		_ = cmd.Process.Kill()
		for range now { //nolint:revive // until it ends
		}
		_ = cmd.Wait()
		d.again()
		gone := missing(t, path, kept, also != "nosync")
		t.Logf("round %d: %d acknowledged so far, %d gone", round, len(kept), len(gone))
		all, lost = all+len(kept), lost+len(gone)
		if len(gone) > 0 || also == "nosync" {
			_ = os.Remove(path)
			kept = nil
		}
	}
	return all, lost
}

// missing opens the store after a power cut, verifies it, and lists which
// acknowledged recordings aren't in it byte for byte.
func missing(t *testing.T, path string, kept []int, sound bool) (gone []int) {
	t.Helper()
	s, err := open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if aside := s.Damaged(); len(aside) > 0 && sound {
		t.Errorf("set aside: %+v", aside)
	}
	for _, n := range kept {
		c, data := storetest.Recording("elevator", n, 4, 1000+n%7*900)
		if got, _, err := s.Original(ctx, c.ID, capture.Data); err != nil || !bytes.Equal(got, data) {
			gone = append(gone, n)
		}
	}
	if report := must[store.Report](t)(s.Verify(ctx, nil)); sound && !report.OK() {
		t.Errorf("verify: %s", report)
	}
	return gone
}

// The power goes at any moment: every capture that Keep acknowledged is there.
func TestPowerCut(t *testing.T) {
	rounds := 8
	if testing.Short() {
		rounds = 2
	}
	for _, also := range []string{"", "compact"} {
		t.Run("also "+also, func(t *testing.T) {
			all, lost := powerCuts(t, also, rounds)
			if lost > 0 || all == 0 {
				t.Errorf("%d of %d acknowledged captures are gone", lost, all)
			}
		})
	}
}

// The same with syncs off must lose some, or else TestPowerCut would pass
// whatever the store did.
func TestPowerCutTakesWhatIsntSynced(t *testing.T) {
	all, lost := powerCuts(t, "nosync", 2)
	if lost == 0 {
		t.Errorf("none of %d captures is gone: the power wasn't cut", all)
	}
}
