package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"faultkeep/daemon/archive"
	"faultkeep/store"
)

// TestRefusedScripts runs commands on stores that can't be opened. Beside
// those of TestKeptScripts there are:
//
//	hold DIR       keeps the store of a data folder open in this process
//	release        lets go of it
//	readonly DIR   mounts a data folder read-only
//
// and the condition root.
func TestRefusedScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script/refused",
		RequireExplicitExec: true,
		Condition: func(cond string) (bool, error) {
			if cond != "root" {
				return false, fmt.Errorf("unknown condition %s", cond)
			}
			return os.Getuid() == 0, nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"store": func(ts *testscript.TestScript, _ bool, args []string) { ts.Check(fill(ts.MkAbs(args[0]))) },
			"hold":  hold,
			"release": func(ts *testscript.TestScript, _ bool, _ []string) {
				ts.Check(ts.Value(holding{}).(*holding).store.Close())
			},
			"readonly": readOnly,
		},
		Setup: func(e *testscript.Env) error {
			e.Values[holding{}] = &holding{}
			return nil
		},
	})
}

// holding is the store that a script holds open, and its key.
type holding struct{ store *store.Store }

func hold(ts *testscript.TestScript, _ bool, args []string) {
	s, err := store.Open(context.Background(), store.Options{Path: filepath.Join(ts.MkAbs(args[0]), archive.StoreFile), Existing: true})
	ts.Check(err)
	ts.Value(holding{}).(*holding).store = s
}

func readOnly(ts *testscript.TestScript, _ bool, args []string) {
	dir := ts.MkAbs(args[0])
	for _, args := range [][]string{{"--bind", dir, dir}, {"-o", "remount,ro,bind", dir}} {
		if out, err := exec.Command("mount", args...).CombinedOutput(); err != nil {
			ts.Fatalf("mount: %v\n%s", err, out)
		}
	}
	ts.Defer(func() { _ = exec.Command("umount", "-l", dir).Run() })
}
