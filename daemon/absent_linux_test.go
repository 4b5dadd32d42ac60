package daemon_test

import (
	"bytes"
	"context"
	"net"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/archive"
)

// A computer whose network comes up minutes after faultkeep, or whose cable to
// the office is out: drives are watched and commands find faultkeep all the same,
// and the page is at its address once that is there.
func TestAddressThatComesLater(t *testing.T) {
	const later = "192.0.2.177" // RFC 5737: nobody has it
	if l, err := net.Listen("tcp", later+":0"); err == nil {
		l.Close()
		t.Skip("this computer has every address")
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(free.Addr().String())
	free.Close()
	folder := t.TempDir()
	var log bytes.Buffer
	app := pageAt(t, folder, net.JoinHostPort(later, port), "make: true", &log)
	if at, err := url.Parse(app.Address); err != nil || at.Hostname() != "127.0.0.1" || len(app.Drives()) != 1 {
		t.Fatalf("%s, %v, %d drives", app.Address, err, len(app.Drives()))
	}
	a, err := archive.Open(t.Context(), folder+"/data")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.Captures(t.Context(), archive.Query{}); err != nil {
		t.Error(err)
	}
	if err := a.Close(); err != nil {
		t.Error(err)
	}
	if os.Getuid() != 0 {
		t.Skip("only root can give this computer an address")
	}
	if out, err := exec.Command("ip", "address", "add", later+"/32", "dev", "lo").CombinedOutput(); err != nil {
		if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
			t.Fatalf("no address can be added here: %v: %s", err, out)
		}
		t.Skipf("no address can be added here: %v: %s", err, out)
	}
	defer func() {
		if out, err := exec.Command("ip", "address", "delete", later+"/32", "dev", "lo").CombinedOutput(); err != nil {
			t.Errorf("%v: %s", err, out)
		}
	}()
	ctx, stop := context.WithTimeout(t.Context(), 10*time.Second)
	defer stop()
	for {
		c, err := (&net.Dialer{}).DialContext(ctx, "tcp", net.JoinHostPort(later, port))
		if err == nil {
			c.Close()
			break
		}
		if ctx.Err() != nil {
			t.Fatal(err)
		}
		time.Sleep(100 * time.Millisecond)
	}
	if err := app.Stop(); err != nil {
		t.Error(err)
	}
	if !strings.Contains(log.String(), "doesn't have the page's address yet") || !strings.Contains(log.String(), "has the page's address now") {
		t.Error(log.String())
	}
}
