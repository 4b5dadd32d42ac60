// Package sourcetest helps to test sources: with peers that aren't ours, and
// with the conformance suite that every source passes.
package sourcetest

import (
	"bufio"
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// RequirePeers is the environment variable that turns a missing peer from a
// reason to skip a test into a failure.
const RequirePeers = "FAULTKEEP_REQUIRE_PEERS"

// debianPython is where Debian's own Python, which sees Debian's python3-pymodbus, is.
const debianPython = "/usr/bin/python3"

// Need gives the path of a program. Where there is none, the test is skipped,
// or fails if RequirePeers is set.
func Need(t testing.TB, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		missing(t, "%s isn't installed", program)
	}
	return path
}

func missing(t testing.TB, format string, args ...any) {
	t.Helper()
	if os.Getenv(RequirePeers) != "" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

// Python starts a script of testdata, such as "peers/pymodbus_drive.py",
// waits for its line "listening HOST:PORT" and gives that address. The script
// ends with the test.
func Python(t testing.TB, script string, args ...string) (addr string) {
	t.Helper()
	python := Need(t, debianPython)
	if err := exec.Command(python, "-c", "import pymodbus").Run(); err != nil {
		missing(t, "python3-pymodbus isn't installed")
	}
	cmd := exec.Command(python, append([]string{filepath.Join(Testdata(t), filepath.FromSlash(script))}, args...)...)
	var trouble bytes.Buffer
	cmd.Stderr = &trouble
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdin, err := cmd.StdinPipe() // its closing ends the script, even where the test binary is killed
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		stdin.Close()
		cmd.Process.Kill()
		cmd.Wait()
	})
	first := make(chan string, 1)
	go func() {
		line, _ := bufio.NewReader(out).ReadString('\n')
		first <- line
	}()
	select {
	case line := <-first:
		addr, ok := strings.CutPrefix(strings.TrimSpace(line), "listening ")
		if !ok {
			cmd.Process.Kill()
			cmd.Wait()
			t.Fatalf("%s said %q instead of where it listens\n%s", script, line, &trouble)
		}
		return addr
	case <-time.After(20 * time.Second):
		cmd.Process.Kill()
		cmd.Wait()
		t.Fatalf("%s didn't start in 20 s\n%s", script, &trouble)
	}
	return ""
}

// Testdata is the folder testdata at the root of the module.
func Testdata(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return filepath.Join(dir, "testdata")
		}
		up := filepath.Dir(dir)
		if up == dir {
			t.Fatal("no go.mod above the test")
		}
		dir = up
	}
}
