package webhook_test

import (
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/alert/webhook"
	"faultkeep/sources/sourcetest"
)

// The signature is computed anew by Python's hmac module.
func TestSignatureByPython(t *testing.T) {
	python := sourcetest.Need(t, "python3")
	t.Setenv("FAULTKEEP_TEST_SIGN", "s1gning-key")
	r, body := post(t, webhook.Config{SignEnv: "FAULTKEEP_TEST_SIGN"}, "", trip)
	at := r.Header.Get("Faultkeep-Timestamp")
	if n, err := strconv.ParseInt(at, 10, 64); err != nil || time.Since(time.Unix(n, 0)).Abs() > time.Minute {
		t.Errorf("time %q: %v", at, err)
	}
	cmd := exec.Command(python, "-c", `import sys,hmac;d=sys.stdin.buffer.read();print("sha256="+hmac.new(b"s1gning-key",d,"sha256").hexdigest())`)
	cmd.Stdin = strings.NewReader(at + "." + string(body))
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if got, want := r.Header.Get("Faultkeep-Signature"), strings.TrimSpace(string(out)); got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if unsigned, _ := post(t, webhook.Config{}, "", trip); unsigned.Header.Get("Faultkeep-Signature") != "" {
		t.Error("signed without a key")
	}
}

func TestSigningKeyIsChecked(t *testing.T) {
	for want, cfg := range map[string]webhook.Config{
		"sign_file":                   {SignFile: filepath.Join(t.TempDir(), "absent")},
		"sign_env":                    {SignEnv: "FAULTKEEP_TEST_UNSET"},
		"headers.faultkeep-signature": {Headers: map[string]string{"faultkeep-signature": "x"}},
	} {
		cfg.URL = "https://alarms.northquay.example/"
		var keys []string
		cfg.Check(func(key, _, _ string) { keys = append(keys, key) })
		if got := strings.Join(keys, " "); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
