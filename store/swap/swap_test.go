package swap

import (
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"testing/synctest"
	"time"
)

var (
	errHeld  = errors.New("somebody has it open")
	errOther = errors.New("there is no such file")
)

func isHeld(err error) bool { return errors.Is(err, errHeld) }

// What is held for a moment is done once it isn't; what is held for good, or
// fails for another reason, is told.
func TestRetry(t *testing.T) {
	for _, one := range []struct {
		heldFor time.Duration
		then    error
		want    error
		within  time.Duration
	}{
		{0, nil, nil, 0},
		{0, errOther, errOther, 0},
		{500 * time.Millisecond, nil, nil, 600 * time.Millisecond},
		{500 * time.Millisecond, errOther, errOther, 600 * time.Millisecond},
		{time.Hour, nil, errHeld, patience + 200*time.Millisecond},
	} {
		synctest.Test(t, func(t *testing.T) {
			begin := time.Now()
			err := retry(func() error {
				if time.Since(begin) < one.heldFor {
					return errHeld
				}
				return one.then
			}, isHeld)
			if took := time.Since(begin); !errors.Is(err, one.want) || (err == nil) != (one.want == nil) || took > one.within {
				t.Errorf("%+v: %v after %v", one, err, took)
			}
		})
	}
}

// A file that somebody has open for a moment is replaced all the same.
func TestFileThatIsOpen(t *testing.T) {
	folder := t.TempDir()
	from, to := filepath.Join(folder, "new"), filepath.Join(folder, "old")
	for _, name := range []string{from, to} {
		if err := os.WriteFile(name, []byte(filepath.Base(name)), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	f, err := os.Open(to)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const looks = 300 * time.Millisecond
	time.AfterFunc(looks, func() { f.Close() })
	begin := time.Now()
	if err := File(from, to); err != nil {
		t.Fatal(err)
	}
	if took := time.Since(begin); runtime.GOOS == "windows" && took < looks {
		t.Errorf("replaced after %v, while it was open: then nothing need be tried again", took)
	}
	if b, err := os.ReadFile(to); err != nil || string(b) != "new" {
		t.Errorf("%q, %v", b, err)
	}
}
