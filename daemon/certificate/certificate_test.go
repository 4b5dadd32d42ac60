package certificate_test

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"faultkeep/daemon/certificate"
	"faultkeep/sources/sourcetest"
)

const day = 24 * time.Hour

// leaf is what the folder's file holds.
func leaf(t *testing.T, folder string) *x509.Certificate {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(folder, certificate.File))
	if err != nil {
		t.Fatal(err)
	}
	block, _ := pem.Decode(b)
	c, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func made(t *testing.T, folder string, names ...string) *certificate.Certificate {
	t.Helper()
	c, err := certificate.Made(folder, names)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestMade(t *testing.T) {
	folder := t.TempDir()
	if _, _, err := certificate.Shown(folder); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
	c := made(t, folder, "Edge-PC.northquay.example", "192.0.2.7", "edge-pc.northquay.example")
	l := leaf(t, folder)
	for _, name := range []string{"edge-pc.northquay.example", "192.0.2.7", "localhost", "127.0.0.1", "::1"} {
		if err := l.VerifyHostname(name); err != nil {
			t.Error(err)
		}
	}
	if len(l.DNSNames) > 3 || l.IsCA || l.PublicKeyAlgorithm != x509.ECDSA {
		t.Errorf("%v, CA %v, %v", l.DNSNames, l.IsCA, l.PublicKeyAlgorithm)
	}
	// CA/Browser Forum, Baseline Requirements 1.8, section 6.3.2; Apple's support note HT210176.
	if long := l.NotAfter.Sub(l.NotBefore); long > 825*day || time.Until(l.NotAfter) < 700*day {
		t.Errorf("lasts %v", long)
	}
	info, err := os.Stat(filepath.Join(folder, certificate.File))
	if err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	again := made(t, folder, "edge-pc.northquay.example")
	if again.Pin() != c.Pin() {
		t.Error("another certificate at the second start")
	}
	if fingerprint, ends, err := certificate.Shown(folder); err != nil || fingerprint != c.Fingerprint() || !ends.Equal(c.Ends()) {
		t.Errorf("%s, %v, %v", fingerprint, ends, err)
	}
	if other := made(t, folder, "other.northquay.example"); other.Pin() == c.Pin() {
		t.Error("a name that the certificate lacks makes no new one")
	}
	if left, err := os.ReadDir(folder); err != nil || len(left) != 1 {
		t.Errorf("%v, %v", left, err)
	}
}

// OpenSSL takes the certificate, under its names only, and finds the same fingerprint.
func TestOpenSSLAgrees(t *testing.T) {
	openssl := sourcetest.Need(t, "openssl")
	folder := t.TempDir()
	c := made(t, folder, "edge-pc.northquay.example")
	file := filepath.Join(folder, certificate.File)
	run := func(args ...string) (string, error) {
		out, err := exec.Command(openssl, args...).CombinedOutput()
		return string(out), err
	}
	if out, err := run("x509", "-in", file, "-noout", "-fingerprint", "-sha256"); err != nil || !strings.Contains(out, "="+c.Fingerprint()+"\n") {
		t.Errorf("%s, not %s", out, c.Fingerprint())
	}
	for name, ok := range map[string]bool{"edge-pc.northquay.example": true, "localhost": true, "northquay.example": false} {
		if out, err := run("verify", "-x509_strict", "-purpose", "sslserver", "-CAfile", file, "-verify_hostname", name, file); (err == nil) != ok {
			t.Errorf("%s: %s", name, out)
		}
	}
}

func TestRenewedBeforeItsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := made(t, t.TempDir(), "edge-pc")
		first := c.Pin()
		for n := range 3 {
			begun := time.Now()
			for changed := false; !changed; {
				time.Sleep(day)
				if left := time.Until(c.Ends()); left < 59*day {
					t.Fatalf("%v before its end", left)
				}
				var err error
				if changed, err = c.Refresh(); err != nil {
					t.Fatal(err)
				}
			}
			if long := time.Since(begun); long < 700*day {
				t.Errorf("number %d lasted %v", n, long)
			}
		}
		if c.Pin() == first || time.Until(c.Ends()) < 700*day {
			t.Error("not renewed")
		}
	})
}

// Nobody may be there to mend it, and the drives must be watched.
func TestDamagedIsMadeAnew(t *testing.T) {
	folder := t.TempDir()
	file := filepath.Join(folder, certificate.File)
	last := made(t, folder).Pin()
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, damaged := range [][]byte{nil, whole[:len(whole)/2], []byte(strings.Repeat("x", 3000)), whole[len(whole)/2:]} {
		if err := os.WriteFile(file, damaged, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, _, err := certificate.Shown(folder); err == nil {
			t.Error("a damaged certificate is shown")
		}
		if c := made(t, folder); c.Pin() == last {
			t.Error("the same certificate")
		}
		if _, _, err := certificate.Shown(folder); err != nil {
			t.Error(err)
		}
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(file, 0o700); err != nil {
		t.Fatal(err)
	}
	if _, err := certificate.Made(folder, nil); err == nil || !strings.Contains(err.Error(), file) {
		t.Error(err)
	}
}

// split makes files of a made certificate as people have them.
func split(t *testing.T, folder string) (cert, key string) {
	t.Helper()
	from := t.TempDir()
	made(t, from)
	rest, err := os.ReadFile(filepath.Join(from, certificate.File))
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(folder, "page.crt"), filepath.Join(folder, "page.key")
	for _, name := range []string{cert, key} {
		var block *pem.Block
		block, rest = pem.Decode(rest)
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key
}

func TestOwn(t *testing.T) {
	folder := t.TempDir()
	cert, key := split(t, folder)
	c, err := certificate.Own(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	first := c.Pin()
	if changed, err := c.Refresh(); changed || err != nil {
		t.Error(changed, err)
	}
	split(t, folder) // somebody renews it while faultkeep runs
	if changed, err := c.Refresh(); !changed || err != nil || c.Pin() == first {
		t.Error(changed, err)
	}
	second := c.Pin()
	secret, err := os.ReadFile(key)
	if err != nil {
		t.Fatal(err)
	}
	_, otherKey := split(t, t.TempDir())
	for _, pair := range [][2]string{{cert, otherKey}, {cert, cert}, {key, key}, {cert, filepath.Join(folder, "none")}, {folder, key}, {key, cert}} {
		_, err := certificate.Own(pair[0], pair[1])
		if err == nil {
			t.Errorf("%v is taken", pair)
		} else if strings.Contains(err.Error(), strings.Split(string(secret), "\n")[1]) {
			t.Errorf("the error tells the key: %v", err)
		}
	}
	if err := os.Remove(key); err != nil {
		t.Fatal(err)
	}
	if changed, err := c.Refresh(); changed || err == nil || c.Pin() != second {
		t.Errorf("without its key: %v, %v", changed, err)
	}
}

// RFC 8996 deprecates TLS 1.0 and 1.1.
func TestOldTLSIsRefused(t *testing.T) {
	c := made(t, t.TempDir(), "127.0.0.1")
	for version, ok := range map[uint16]bool{tls.VersionTLS10: false, tls.VersionTLS11: false, tls.VersionTLS12: true, tls.VersionTLS13: true} {
		ours, theirs := net.Pipe()
		go func() {
			_ = tls.Server(ours, c.Config()).HandshakeContext(t.Context())
			ours.Close()
		}()
		client := tls.Client(theirs, &tls.Config{InsecureSkipVerify: true, MinVersion: version, MaxVersion: version})
		if err := client.HandshakeContext(t.Context()); (err == nil) != ok {
			t.Errorf("%s: %v", tls.VersionName(version), err)
		}
		theirs.Close()
	}
}
