//go:build unix

package alert_test

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"faultkeep/daemon/alert"
)

// The service's account can't read the file, but what systemd handed over of
// it. Root reads everything, so the test lays that down for a moment.
func TestSecretHandedOver(t *testing.T) {
	file, handed := filepath.Join(t.TempDir(), "hook.key"), t.TempDir()
	if err := os.WriteFile(file, []byte("fresh"), 0o000); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(handed, alert.Credential(file)), []byte("handed\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Setenv("CREDENTIALS_DIRECTORY", handed)
	if os.Geteuid() == 0 {
		for _, folder := range []string{file, handed, filepath.Dir(handed), filepath.Dir(file)} {
			if err := os.Chown(folder, 65534, 65534); err != nil {
				t.Fatal(err)
			}
		}
		if err := syscall.Seteuid(65534); err != nil {
			t.Fatal(err)
		}
		defer func() { _ = syscall.Seteuid(0) }()
	}
	secret := alert.Secret{File: file}
	if got, err := secret.Read(); err != nil || got != "handed" {
		t.Errorf("%q, %v", got, err)
	}
	if err := os.Chmod(file, 0o400); err != nil { // what can be read counts, since it may be newer
		t.Fatal(err)
	}
	if got, err := secret.Read(); err != nil || got != "fresh" {
		t.Errorf("%q, %v", got, err)
	}
}
