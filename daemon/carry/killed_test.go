package carry_test

import (
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"faultkeep/daemon/carry"
)

const (
	killedEnv   = "FAULTKEEP_TEST_CARRY_TO"
	killedCarry = 40
)

// A carry that is killed at any moment, or whose stick is pulled between two
// writes, leaves whole files only; the next one goes on, and the last one is
// as if nothing had been.
func TestKilledCarry(t *testing.T) {
	p := newPlant(killedCarry, 1500)
	if stick := os.Getenv(killedEnv); stick != "" {
		_, _ = carry.Run(ctx, p.options(stick))
		return
	}
	stick := t.TempDir()
	last, kills := 0, 0
	for round := 0; round < 60 && last < killedCarry; round++ {
		child := exec.Command(os.Args[0], "-test.run", "^TestKilledCarry$")
		child.Env = append(os.Environ(), killedEnv+"="+stick)
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		// Not before it has begun, and then at any moment.
		ended := make(chan error, 1)
		go func() { ended <- child.Wait() }()
		want := last + 1 + rand.IntN(5)
		killed := false
		for !killed {
			select {
			case <-ended:
				killed = true
			case <-time.After(time.Duration(rand.IntN(5000)) * time.Microsecond):
				if found, _ := filepath.Glob(filepath.Join(stick, "captures", "*.zip")); len(found) >= want {
					_ = child.Process.Kill()
					if err := <-ended; err != nil {
						kills++
					}
					killed = true
				}
			}
		}
		n := sound(t, stick, false)
		if n < last {
			t.Fatalf("%d bundles after %d", n, last)
		}
		last = n
	}
	if kills < 3 {
		t.Fatalf("it was killed %d times: this shows nothing", kills)
	}
	done := run(t, p.options(stick))
	if done.Captures != killedCarry || len(done.Damaged) > 0 || sound(t, stick, true) != killedCarry {
		t.Errorf("in the end: %+v", done)
	}
	t.Logf("killed %d times; the last carry found %d and carried %d", kills, done.There, len(done.Carried))
}
