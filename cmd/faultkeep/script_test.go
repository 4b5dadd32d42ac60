package main

import (
	"archive/zip"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"faultkeep/daemon/config"
	"faultkeep/store/format/formattest"
)

// TestMain makes this test binary the program itself for the scripts.
func TestMain(m *testing.M) {
	config.Formats = append(config.Formats, formattest.Toy{}) // for the scripts that read files
	testscript.Main(m, map[string]func(){"faultkeep": main})
}

// TestScripts runs the command line as people do; each script is a folder of
// files and what is typed in it.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Condition: func(cond string) (bool, error) { // [missing:PROGRAM]
			program, ok := strings.CutPrefix(cond, "missing:")
			if !ok {
				return false, errors.New("no such condition")
			}
			_, err := exec.LookPath(program)
			if err != nil && os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
				return false, err
			}
			return err != nil, nil
		},
		Setup: func(e *testscript.Env) error {
			e.Setenv("FAULTKEEP_CONFIG", "")
			e.Setenv("TZ", "UTC")
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"exits": exits, "await": await, "append": appendTo, "json": jsonCompare, "sleep": sleep, "unzip": unzip},
	})
}

// exits CODE PROGRAM ARG… runs a program and wants that exit code.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	code := 0
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		code = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if code != want || neg {
		ts.Fatalf("exit code %d, want %d", code, want)
	}
}

// await FILE [TEXT] waits until the file is there, and holds the text.
func await(ts *testscript.TestScript, _ bool, args []string) {
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		b, err := os.ReadFile(ts.MkAbs(args[0]))
		if err == nil && (len(args) < 2 || strings.Contains(string(b), args[1])) {
			return
		}
		if time.Now().After(end) {
			ts.Fatalf("%s did not come within 20 s: %v", strings.Join(args, " with "), err)
		}
	}
}

// sleep TIME lets things happen that leave nothing to await.
func sleep(ts *testscript.TestScript, _ bool, args []string) {
	d, err := time.ParseDuration(args[0])
	ts.Check(err)
	time.Sleep(d)
}

// unzip FILE FOLDER takes an archive apart.
func unzip(ts *testscript.TestScript, _ bool, args []string) {
	z, err := zip.OpenReader(ts.MkAbs(args[0]))
	ts.Check(err)
	defer z.Close()
	ts.Check(os.CopyFS(ts.MkAbs(args[1]), z))
}

// append FILE LINE puts a line at the end of a file.
func appendTo(ts *testscript.TestScript, _ bool, args []string) {
	b := ts.ReadFile(args[0])
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(b+strings.Join(args[1:], " ")+"\n"), 0o600))
}

// json FILE PATH OP VALUE compares one value of a file that must be one JSON
// value and nothing else; VALUE is a path as well, or a literal.
func jsonCompare(ts *testscript.TestScript, _ bool, args []string) {
	var all any
	if err := json.Unmarshal([]byte(ts.ReadFile(args[0])), &all); err != nil {
		ts.Fatalf("%s is not one JSON value: %v", args[0], err)
	}
	got, ok := at(all, args[1])
	if !ok {
		ts.Fatalf("there is no %s in %s", args[1], args[0])
	}
	want, ok := at(all, args[3])
	if !ok {
		ts.Check(json.Unmarshal([]byte(args[3]), &want))
	}
	a, aNumber := got.(float64)
	b, bNumber := want.(float64)
	switch {
	case args[2] == "==" && got == want:
	case args[2] == ">=" && aNumber && bNumber && a >= b:
	case args[2] == ">" && aNumber && bNumber && a > b:
	default:
		ts.Fatalf("%s is %v, want %s %v", args[1], got, args[2], want)
	}
}

// at is the value at a path such as drives.0.name.
func at(v any, path string) (any, bool) {
	for key := range strings.SplitSeq(path, ".") {
		switch in := v.(type) {
		case map[string]any:
			var ok bool
			if v, ok = in[key]; !ok {
				return nil, false
			}
		case []any:
			i, err := strconv.Atoi(key)
			if err != nil || i < 0 || i >= len(in) {
				return nil, false
			}
			v = in[i]
		default:
			return nil, false
		}
	}
	return v, true
}
