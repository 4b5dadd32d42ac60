package daemon_test

import (
	"fmt"
	"io"
	"log"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	library "github.com/simonvetter/modbus"

	"faultkeep/sources/drivesim"
)

// asBareLoop makes the test binary poll these addresses by the bare library.
const asBareLoop = "FAULTKEEP_TEST_BARE_LOOP"

// BenchmarkIdle watches 100 drives four times a second while nothing happens,
// beside a process that only reads the same registers as often by the bare
// library. It prints the CPU time of both in percent of one core and their
// ratio, memory, and what was written to disk.
func BenchmarkIdle(b *testing.B) {
	const drives, settle, measure = 100, 4 * time.Second, 20 * time.Second
	folder := b.TempDir()
	var text strings.Builder
	fmt.Fprintf(&text, "site: Northquay\ndata: %s\nweb: {listen: \"127.0.0.1:0\"}\npoll: 250ms\ndrives:\n", filepath.Join(folder, "data"))
	var addresses []string
	for i := range drives {
		sim := drivesim.New(drivesim.Spec{Name: fmt.Sprintf("drive-%d", i)}, time.Now())
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			b.Fatal(err)
		}
		server := drivesim.Serve(b.Context(), l, map[uint8]*drivesim.Drive{1: sim}, drivesim.Behaviour{})
		defer server.Close()
		addresses = append(addresses, l.Addr().String())
		fmt.Fprintf(&text, "  - {name: drive-%d, address: %q, map: \"builtin:sim-block\"}\n", i, l.Addr())
	}
	config := filepath.Join(folder, "faultkeep.yaml")
	if err := os.WriteFile(config, []byte(text.String()), 0o600); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		daemon := beginProcess(b, asDaemon+"="+config)
		bare := beginProcess(b, asBareLoop+"="+strings.Join(addresses, ","))
		time.Sleep(settle)
		d0, b0 := usage(b, daemon), usage(b, bare)
		time.Sleep(measure)
		d1, b1 := usage(b, daemon), usage(b, bare)
		ours, floor := (d1.cpu-d0.cpu).Seconds()/measure.Seconds(), (b1.cpu-b0.cpu).Seconds()/measure.Seconds()
		b.ReportMetric(100*ours, "%cpu")
		b.ReportMetric(100*floor, "%cpu-bare")
		b.ReportMetric(ours/floor, "cpu/bare")
		b.ReportMetric(float64(d1.memory)/1e6, "MB")
		b.ReportMetric(float64(b1.memory)/1e6, "MB-bare")
		b.ReportMetric(float64(d1.written-d0.written)*float64(time.Hour/measure)/1e6, "MB-written/h")
	}
}

func beginProcess(b testing.TB, env string) (pid int) {
	b.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), env)
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	return cmd.Process.Pid
}

type used struct {
	cpu     time.Duration
	memory  int64 // resident bytes
	written int64 // bytes to disk
}

// usage reads a process's account in /proc (proc(5)).
func usage(b testing.TB, pid int) (u used) {
	b.Helper()
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		b.Fatal(err)
	}
	fields := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+1:]))
	const clockTick = 10 * time.Millisecond // USER_HZ is 100 on Linux
	for _, f := range fields[11:13] {
		n, _ := strconv.ParseInt(f, 10, 64)
		u.cpu += time.Duration(n) * clockTick
	}
	pages, _ := strconv.ParseInt(fields[21], 10, 64)
	u.memory = pages * int64(os.Getpagesize())
	account, err := os.ReadFile(fmt.Sprintf("/proc/%d/io", pid))
	if err != nil {
		b.Fatal(err)
	}
	for line := range strings.Lines(string(account)) {
		if n, ok := strings.CutPrefix(line, "write_bytes: "); ok {
			u.written, _ = strconv.ParseInt(strings.TrimSpace(n), 10, 64)
		}
	}
	return u
}

// bareLoop polls every address four times a second, as little as can be done.
func bareLoop(addresses string) {
	var all sync.WaitGroup
	for address := range strings.SplitSeq(addresses, ",") {
		all.Go(func() {
			c, err := library.NewClient(&library.ClientConfiguration{URL: "tcp://" + address, Timeout: time.Second, Logger: log.New(io.Discard, "", 0)})
			if err != nil || c.Open() != nil {
				fmt.Fprintln(os.Stderr, "the bare loop can't connect")
				os.Exit(1)
			}
			for tick := time.NewTicker(250 * time.Millisecond); ; <-tick.C {
				if _, err := c.ReadRawBytes(0, 12, library.HOLDING_REGISTER); err != nil {
					fmt.Fprintln(os.Stderr, err)
					os.Exit(1)
				}
			}
		})
	}
	all.Wait()
}
