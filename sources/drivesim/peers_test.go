package drivesim_test

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"faultkeep/sources/drivesim"
)

const host = "127.0.0.1"

// mbpoll reads by Debian's mbpoll, which knows nothing of us.
func mbpoll(t *testing.T, port int, args ...string) []int {
	t.Helper()
	path, err := exec.LookPath("mbpoll")
	if err != nil {
		if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
			t.Fatal("mbpoll is not installed: apt-get install mbpoll")
		}
		t.Skip("mbpoll is not installed")
	}
	args = append([]string{"-m", "tcp", "-p", strconv.Itoa(port), "-0", "-1"}, args...)
	out, err := exec.CommandContext(t.Context(), path, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("mbpoll %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	var values []int
	for _, m := range regexp.MustCompile(`(?m)^\[\d+\]:\s+(\S+)`).FindAllStringSubmatch(string(out), -1) {
		v, err := strconv.ParseInt(m[1], 0, 64)
		if err != nil {
			t.Fatalf("mbpoll printed %q\n%s", m[1], out)
		}
		values = append(values, int(v))
	}
	return values
}

// An independent client reads what the drives show: registers, 32-bit numbers
// in both word orders, single bits; and its write arms.
func TestMbpollReadsTheDrives(t *testing.T) {
	serve := func(face drivesim.Face) (*drivesim.Drive, int) {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		now := time.Now()
		d := drivesim.New(quick(func(s *drivesim.Spec) { s.Face = face }), now)
		for range 3 {
			d.Replace(now)
		}
		d.Trip(now, drivesim.Jam)
		s := drivesim.Serve(t.Context(), l, map[uint8]*drivesim.Drive{1: d}, drivesim.Behaviour{})
		t.Cleanup(func() { s.Close() })
		return d, l.Addr().(*net.TCPAddr).Port
	}
	expect := func(what string, got []int, want ...int) {
		t.Helper()
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s: mbpoll read %v, want %v", what, got, want)
		}
	}

	block, port := serve(drivesim.Block)
	expect("statusword, fault code, faults, state", mbpoll(t, port, "-t", "4:hex", "-r", "0", "-c", "4", host), 0x0218, 0x2311, 1, 3)
	expect("counter", mbpoll(t, port, "-t", "4:int", "-B", "-r", "20", "-c", "1", host), 3)
	data := block.Truth(time.Now())[2].Data
	var want []int
	for i := range 125 {
		want = append(want, int(data[2*i])<<8|int(data[2*i+1]))
	}
	expect("data", mbpoll(t, port, "-t", "4:hex", "-r", "1024", "-c", "125", host), want...)

	window, port := serve(drivesim.Window)
	expect("state", mbpoll(t, port, "-t", "3:hex", "-r", "100", "-c", "1", host), 40)
	expect("counter, low word first", mbpoll(t, port, "-t", "3:int", "-r", "120", "-c", "1", host), 3)
	mbpoll(t, port, "-t", "4", "-r", "258", host, "1")
	if writes := window.Writes(); len(writes) != 1 || writes[0].Kind != drivesim.WriteArm || window.State(time.Now()) != "armed" {
		t.Errorf("after arming by mbpoll: %+v, %s", writes, window.State(time.Now()))
	}

	files, port := serve(drivesim.Files)
	expect("bits 0 to 15 of the statusword 0218h", mbpoll(t, port, "-t", "1", "-r", "0", "-c", "16", host), 0, 0, 0, 1, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0)
	mbpoll(t, port, "-t", "0", "-r", "10", host, "1")
	if files.State(time.Now()) != "armed" {
		t.Errorf("after arming by a coil: %s", files.State(time.Now()))
	}
}
