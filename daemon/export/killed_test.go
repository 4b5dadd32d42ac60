package export_test

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"faultkeep/daemon/export"
)

const killedEnv = "FAULTKEEP_TEST_SAVE_INTO"

// saveForEver is what the child process of TestKilledExport does.
func saveForEver(path string) {
	_ = export.Save(path, true, func(w io.Writer) error {
		for {
			if _, err := w.Write(bytes.Repeat([]byte("half "), 1000)); err != nil {
				return err
			}
		}
	})
}

// An export that is killed leaves what was at its path as it was, and no file
// that looks like a capture; what it leaves hidden goes with a later export.
func TestKilledExport(t *testing.T) {
	if path := os.Getenv(killedEnv); path != "" {
		saveForEver(path)
		return
	}
	for _, before := range []string{"", "theirs"} {
		dir := t.TempDir()
		path := filepath.Join(dir, "a.csv")
		if before != "" {
			if err := os.WriteFile(path, []byte(before), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		child := exec.Command(os.Args[0], "-test.run", "^TestKilledExport$")
		child.Env = append(os.Environ(), killedEnv+"="+path)
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		left := begun(t, dir)
		if err := child.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = child.Wait()
		if b, err := os.ReadFile(path); string(b) != before || (err != nil) != (before == "") {
			t.Errorf("the killed export left %.20q, %v", b, err)
		}
		if _, err := os.Stat(left); err != nil {
			t.Fatal("nothing was left, so that nothing can be cleared away: ", err)
		}

		// It could still be written to; only after an hour of silence is it cleared away.
		next := filepath.Join(dir, "b.csv")
		if err := export.Save(next, false, says("next")); err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(left); err != nil {
			t.Error("what may be somebody's export was taken away: ", err)
		}
		long := time.Now().Add(-2 * time.Hour)
		if err := os.Chtimes(left, long, long); err != nil {
			t.Fatal(err)
		}
		if err := export.Save(next, true, says("again")); err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(left); !os.IsNotExist(err) {
			t.Errorf("what was left of a killed export stays for ever: %v", err)
		}
	}
}

// begun waits until the child has written something, and names the file.
func begun(t *testing.T, dir string) string {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		found, _ := filepath.Glob(filepath.Join(dir, ".faultkeep-*"))
		if len(found) == 1 {
			if info, err := os.Stat(found[0]); err == nil && info.Size() > 0 {
				return found[0]
			}
		}
	}
	t.Fatal("the child wrote nothing")
	return ""
}
