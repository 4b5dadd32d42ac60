package email_test

import (
	"strings"
	"testing"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/daemon/alert/email"
)

func TestCheck(t *testing.T) {
	t.Setenv("FAULTKEEP_TEST_KEY", "s3cr3t-word")
	ok := email.Config{Server: "mail.northquay.example", From: "faultkeep@northquay.example", To: []string{"Shift <shift@northquay.example>"}}
	for _, c := range []struct {
		change func(*email.Config)
		want   string
	}{
		{func(*email.Config) {}, ""},
		{func(c *email.Config) { c.Server, c.Security = "[2001:db8::1]:2525", "tls" }, ""},
		{func(c *email.Config) {
			c.User, c.PasswordEnv, c.Timeout = "u", "FAULTKEEP_TEST_KEY", strict.Duration(time.Second)
		}, ""},
		{func(c *email.Config) {
			c.Server, c.Security, c.User, c.PasswordEnv = "127.0.0.1", "none", "u", "FAULTKEEP_TEST_KEY"
		}, ""},
		{func(c *email.Config) { c.Security, c.User, c.PasswordEnv = "none", "u", "FAULTKEEP_TEST_KEY" }, "security"},
		{func(c *email.Config) { c.Security = "none" }, ""},
		{func(c *email.Config) { *c = email.Config{} }, "server from to"},
		{func(c *email.Config) { c.Server = "smtp://x" }, "server"},
		{func(c *email.Config) { c.Server = "x:0" }, "server"},
		{func(c *email.Config) { c.Server = "x:65536" }, "server"},
		{func(c *email.Config) { c.Security = "ssl" }, "security"},
		{func(c *email.Config) { c.From = "faultkeep" }, "from"},
		{func(c *email.Config) { c.To = append(c.To, "shift, works@northquay.example", "a@b\r\nBcc: c@d") }, "to[1] to[2]"},
		{func(c *email.Config) { c.To = []string{"skift@nørrekaj.example"} }, "to[0]"},
		{func(c *email.Config) { c.User = "u" }, "user"},
		{func(c *email.Config) { c.PasswordEnv = "FAULTKEEP_TEST_KEY" }, "user"},
		{func(c *email.Config) { c.User, c.PasswordEnv = "u", "FAULTKEEP_TEST_UNSET" }, "password_env"},
		{func(c *email.Config) { c.User, c.PasswordFile = "u", "/nonexistent/key" }, "password_file"},
		{func(c *email.Config) { c.User, c.PasswordFile, c.PasswordEnv = "u", "x", "FAULTKEEP_TEST_KEY" }, "password_env"},
		{func(c *email.Config) { c.CAFile = "/nonexistent/ca" }, "ca_file"},
		{func(c *email.Config) { c.Security, c.CAFile = "none", "ca" }, "ca_file"},
		{func(c *email.Config) { c.Timeout = strict.Duration(time.Minute) }, "timeout"},
	} {
		cfg := ok
		cfg.To = append([]string(nil), ok.To...)
		c.change(&cfg)
		var keys []string
		cfg.Check(func(key, text, hint string) {
			keys = append(keys, key)
			if strings.Contains(text+hint, "s3cr3t") {
				t.Errorf("tells a secret: %s %s", text, hint)
			}
		})
		if got := strings.Join(keys, " "); got != c.want {
			t.Errorf("%+v: %q, want %q", cfg, got, c.want)
		}
	}
}
