package daemon_test

import (
	"bufio"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/holdoff"
	"faultkeep/sources/drivesim"
	"faultkeep/sources/sourcetest"
	"faultkeep/store/capture"
)

// freePort is a port that nobody listens on a moment ago.
func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// withHoldoff gives the plant's config a hold-off.
func (p *plant) withHoldoff(t *testing.T) (port int) {
	t.Helper()
	port = freePort(t)
	f, err := os.OpenFile(p.config, os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	_, err = fmt.Fprintf(f, "holdoff: {listen: \"127.0.0.1:%d\"}\n", port)
	if cerr := f.Close(); err != nil || cerr != nil {
		t.Fatal(err, cerr)
	}
	return port
}

// pymodbusPLC is a PLC that isn't ours.
type pymodbusPLC struct {
	in    io.Writer
	lines chan string
}

func newPLC(t *testing.T, port int, args ...string) *pymodbusPLC {
	t.Helper()
	python := sourcetest.Need(t, "/usr/bin/python3")
	if err := exec.Command(python, "-c", "import pymodbus").Run(); err != nil {
		sourcetest.Need(t, "python3-pymodbus")
	}
	args = append([]string{filepath.Join(sourcetest.Testdata(t), "peers", "pymodbus_plc.py"), "--host", "127.0.0.1", "--port", strconv.Itoa(port),
		"--first", strconv.Itoa(int(holdoff.First(0)))}, args...)
	cmd := exec.Command(python, args...)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		in.Close()
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	p := &pymodbusPLC{in: in, lines: make(chan string, 100)}
	go func() {
		for s := bufio.NewScanner(out); s.Scan(); {
			p.lines <- s.Text()
		}
	}()
	if line := p.next(t); line != "ready" {
		t.Fatalf("the PLC says %q", line)
	}
	return p
}

func (p *pymodbusPLC) say(t *testing.T, line string) {
	t.Helper()
	if _, err := fmt.Fprintln(p.in, line); err != nil {
		t.Fatal(err)
	}
}

func (p *pymodbusPLC) next(t *testing.T) string {
	t.Helper()
	select {
	case line := <-p.lines:
		return line
	case <-time.After(30 * time.Second):
		t.Fatal("the PLC says nothing")
		return ""
	}
}

// trips lets the drive trip some times, with a PLC that resets it when it
// thinks fit, and counts the recordings kept whole.
func plcTrips(t *testing.T, n int, odd drivesim.Script, args ...string) (whole, gaveUp int) {
	spec := drivesim.Spec{Name: "elevator", Pattern: true, Recorder: drivesim.Recorder{Samples: 1000, Interval: 500 * time.Microsecond}}
	p := newPlant(t, spec, drivesim.Behaviour{Latency: 4 * time.Millisecond, Misbehave: odd}) // a pull takes some 0.3 s
	port := p.withHoldoff(t)
	app := p.start(t)
	plc := newPLC(t, port, args...)
	for range n {
		p.trip(t)
		plc.say(t, "trip")
		line := plc.next(t)
		if line == "gave up" {
			gaveUp++
			line = plc.next(t)
		}
		if line != "reset" {
			t.Fatalf("the PLC says %q", line)
		}
		p.sim.Reset(time.Now())
		plc.say(t, "clear")
	}
	eventually(t, "all settled", func() bool { return app.Drives()[0].Now().Pending.IsZero() })
	list, err := archive.Pages(app.Store).Captures(t.Context(), archive.Query{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range list {
		if c.Origin == capture.Recorded && c.Integrity.Whole {
			whole++
		}
	}
	return whole, gaveUp
}

// A PLC that isn't ours, which resets too early by itself: with the hold-off
// every recording is kept, without it they aren't.
func TestHoldoffKeepsEveryRecording(t *testing.T) {
	n := 12
	if testing.Short() {
		n = 4
	}
	with, gaveUp := plcTrips(t, n, nil, "--least", "0.2", "--most", "20", "--silent", "2")
	without, _ := plcTrips(t, n, nil, "--least", "0.2", "--most", "20", "--silent", "2", "--blind")
	t.Logf("a reset 0.2 s after the trip: %d of %d recordings kept whole with the hold-off, %d without", with, n, without)
	if with != n || gaveUp > 0 {
		t.Errorf("with the hold-off %d of %d were kept whole, and the PLC gave up %d times", with, n, gaveUp)
	}
	if without == n {
		t.Error("without the hold-off all were kept too, so this proves nothing")
	}
}

// A drive that doesn't answer for a moment in the middle of a pull is still
// watched: the PLC goes on waiting.
func TestHoldoffOutlastsAPollThatFails(t *testing.T) {
	var mu sync.Mutex
	reads, quiet := 0, time.Time{}
	odd := func(q drivesim.Request) drivesim.Action {
		mu.Lock()
		defer mu.Unlock()
		if q.Count > 60 {
			reads++
			if reads == 20 || reads > 100 && reads%100 == 0 {
				quiet = time.Now().Add(400 * time.Millisecond)
			}
		}
		return drivesim.Action{Close: time.Now().Before(quiet)}
	}
	whole, gaveUp := plcTrips(t, 4, odd, "--least", "0.2", "--most", "20", "--silent", "3")
	if whole != 4 || gaveUp > 0 {
		t.Errorf("%d of 4 were kept whole, and the PLC gave up %d times", whole, gaveUp)
	}
}

// faultkeep dies in the middle of a pull: the PLC goes on by itself.
func TestPLCGoesOnWithoutFaultkeep(t *testing.T) {
	spec, b := slowPull()
	p := newPlant(t, spec, b)
	port := p.withHoldoff(t)
	kill := p.process(t)
	plc := newPLC(t, port, "--least", "0.5", "--most", "60", "--silent", "1")
	p.trip(t)
	plc.say(t, "trip")
	eventually(t, "pulling", func() bool {
		if out, err := runMbpoll(t, port, "-t", "1", "-r", "16", "-c", "4"); err != nil || strings.Contains(out, "refused") {
			return false // it doesn't serve yet
		}
		bits := mbpollBits(t, port)
		return bits[holdoff.InputPending] == 1 && bits[holdoff.InputPulling] == 1 && bits[holdoff.InputKept] == 0 && bits[holdoff.InputWatched] == 1
	})
	select {
	case line := <-plc.lines:
		t.Fatalf("the PLC says %q while the recording is pulled", line)
	default:
	}
	kill()
	killed := time.Now()
	if line := plc.next(t); line != "gave up" {
		t.Errorf("the PLC says %q", line)
	}
	if line := plc.next(t); line != "reset" {
		t.Errorf("the PLC says %q", line)
	}
	t.Logf("the PLC went on %.1f s after faultkeep was killed", time.Since(killed).Seconds())
}

// mbpollBits are the drive's discrete inputs by Debian's mbpoll.
func mbpollBits(t *testing.T, port int) []int {
	t.Helper()
	return mbpoll(t, port, "-t", "1", "-r", strconv.Itoa(int(holdoff.First(0))), "-c", "4")
}

func mbpoll(t *testing.T, port int, args ...string) (values []int) {
	t.Helper()
	out, err := runMbpoll(t, port, args...)
	if err != nil {
		t.Fatalf("mbpoll %v: %v\n%s", args, err, out)
	}
	for line := range strings.Lines(out) {
		if _, value, ok := strings.Cut(line, "]:"); ok {
			v, err := strconv.Atoi(strings.Fields(value)[0])
			if err != nil {
				t.Fatalf("mbpoll says %q", line)
			}
			values = append(values, v)
		}
	}
	return values
}

func runMbpoll(t *testing.T, port int, args ...string) (string, error) {
	t.Helper()
	path := sourcetest.Need(t, "mbpoll")
	args = append([]string{"-m", "tcp", "-p", strconv.Itoa(port), "-a", "1", "-0", "-1"}, args...)
	var write []string
	if i := len(args); args[i-1] == "write" {
		args, write = args[:i-1], []string{"1"}
	}
	out, err := exec.Command(path, append(append(args, "127.0.0.1"), write...)...).CombinedOutput()
	return string(out), err
}

// Read and write by a Modbus master that isn't ours.
func TestHoldoffByMbpoll(t *testing.T) {
	p := newPlant(t, drivesim.Spec{Name: "elevator", Pattern: true}, drivesim.Behaviour{})
	port := p.withHoldoff(t)
	p.start(t)
	watched := func() bool {
		out, err := runMbpoll(t, port, "-t", "1", "-r", "16", "-c", "4")
		return err == nil && strings.Contains(out, "[19]: \t1")
	}
	eventually(t, "watched", watched)
	head := mbpoll(t, port, "-t", "3", "-r", "0", "-c", "3")
	if head[0] != holdoff.Version || head[2] != 1 {
		t.Errorf("the head is %v", head)
	}
	beat := func() int { return mbpoll(t, port, "-t", "3", "-r", "16", "-c", "1")[0] }
	first := beat()
	eventually(t, "the heartbeat goes on", func() bool { return beat() != first })
	p.trip(t)
	eventually(t, "kept", func() bool {
		words, bits := mbpoll(t, port, "-t", "3", "-r", "16", "-c", "4"), mbpollBits(t, port)
		return bits[holdoff.InputKept] == 1 && bits[holdoff.InputPending] == 0 && words[2] == 0 && words[3] == 1 && words[1] == 0
	})
	for what, args := range map[string][]string{
		"a coil written": {"-t", "0", "-r", "16", "write"}, "a register written": {"-t", "4", "-r", "16", "write"},
		"coils read": {"-t", "0", "-r", "16", "-c", "1"}, "holding registers read": {"-t", "4", "-r", "16", "-c", "1"},
	} {
		if out, err := runMbpoll(t, port, args...); err == nil || !strings.Contains(out, "Illegal function") {
			t.Errorf("%s: %v\n%s", what, err, out)
		}
	}
	if out, err := runMbpoll(t, port, "-t", "3", "-r", "31", "-c", "2"); err == nil || !strings.Contains(out, "Illegal data address") {
		t.Errorf("beyond the table: %v\n%s", err, out)
	}
}

// Nonsense on the port and more clients than it takes don't keep it from
// answering, nor the drive from being watched.
func TestHoldoffUnderNonsense(t *testing.T) {
	p := newPlant(t, drivesim.Spec{Name: "elevator", Pattern: true}, drivesim.Behaviour{})
	port := p.withHoldoff(t)
	app := p.start(t)
	address := net.JoinHostPort("127.0.0.1", strconv.Itoa(port))
	eventually(t, "served", func() bool {
		c, err := net.Dial("tcp", address)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	dice := rand.New(rand.NewPCG(1, 5))
	for range 200 {
		c, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		b := make([]byte, 1+dice.IntN(300))
		for i := range b {
			b[i] = byte(dice.Uint32())
		}
		if dice.IntN(2) == 0 { // a header that promises more than there is
			copy(b, []byte{0, 1, 0, 0, 0, byte(dice.IntN(256)), 1, byte(dice.IntN(30))})
		}
		_, _ = c.Write(b)
		c.Close()
	}
	var idle []net.Conn
	for range 40 {
		if c, err := net.Dial("tcp", address); err == nil {
			idle = append(idle, c)
		}
	}
	p.trip(t)
	eventually(t, "kept", func() bool { return app.Drives()[0].Now().Keeps == 1 })
	for _, c := range idle {
		c.Close()
	}
	eventually(t, "answered again", func() bool {
		out, err := runMbpoll(t, port, "-t", "1", "-r", "16", "-c", "4")
		return err == nil && strings.Contains(out, "[18]: \t1")
	})
}
