package main

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"faultkeep/daemon/export"
)

// An export that is interrupted between two blocks leaves nothing, neither
// half a file nor a temporary one, and what was there stays.
func TestInterruptedExport(t *testing.T) {
	for _, force := range []bool{false, true} {
		dir := t.TempDir()
		file := filepath.Join(dir, "a.csv")
		if force {
			if err := os.WriteFile(file, []byte("theirs"), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		ctx, stop := context.WithCancel(context.Background())
		slow := export.Format{Write: func(w io.Writer, _ export.Record) error {
			if _, err := io.WriteString(w, "half of it"); err != nil {
				return err
			}
			stop()
			_, err := io.WriteString(w, "the rest")
			return err
		}}
		err := (&exportCommand{Force: force}).save(ctx, file, slow, export.Record{}, func(int64) {})
		if err == nil || !strings.Contains(err.Error(), "nothing half is left") {
			t.Errorf("force %v: %v", force, err)
		}
		files, _ := os.ReadDir(dir)
		if b, _ := os.ReadFile(file); force && (string(b) != "theirs" || len(files) != 1) || !force && len(files) != 0 {
			t.Errorf("force %v: left %v, %q", force, files, b)
		}
	}
}
