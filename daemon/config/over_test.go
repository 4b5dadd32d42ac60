package config_test

import (
	"path/filepath"
	"strings"
	"testing"

	"faultkeep/daemon/config"
)

// A page that is open to others must not lose its users because another
// address, which doesn't need any, is to come.
func TestOverKeepsWhatCantChange(t *testing.T) {
	folder := t.TempDir()
	parse := func(text string) *config.Loaded {
		t.Helper()
		l, problems := config.Parse(filepath.Join(folder, "faultkeep.yaml"), []byte(text+"\ndrives: [{name: fan, address: 192.0.2.11, map: builtin:generic-block}]\n"))
		if len(problems) > 0 {
			t.Fatal(problems)
		}
		return l
	}
	const users = `users: [{name: anna, role: technician, hash: "$argon2id$v=19$m=65536,t=3,p=4$c29tZXNhbHRzb21lc2FsdA$RdescudvJCsgt3ub+b+dWRWJTmaaJObG"}]`
	old := parse("site: Northquay\ndata: one\nweb: {listen: '0.0.0.0:8377', tls: {make: true}, " + users + "}")
	next := parse("site: Southquay\ndata: two\nlog: {format: json, level: debug}\nweb: {listen: '127.0.0.1:8377'}")
	later, problems := next.Over(old)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	c := next.Config
	if len(c.Web.Users) != 1 || c.Web.TLS == nil || c.Web.Listen != "0.0.0.0:8377" {
		t.Errorf("the page that is open lost its lock: %+v", c.Web)
	}
	if c.Site != "Northquay" || c.Data != filepath.Join(folder, "one") || c.Log.Format != "text" {
		t.Errorf("%s %s %s", c.Site, c.Data, c.Log.Format)
	}
	if c.Log.Level != "debug" || c.Alerts.Link != old.Config.Alerts.Link {
		t.Errorf("%s %s", c.Log.Level, c.Alerts.Link)
	}
	said := strings.Join(later, "\n")
	for _, key := range []string{"web.listen", "site", "data", "log"} {
		if !strings.Contains(said, key+" takes effect at the next start") {
			t.Errorf("nothing is said of %s: %s", key, said)
		}
	}
	if again, _ := parse("site: Northquay\ndata: one\nweb: {listen: '0.0.0.0:8377', tls: {make: true}, " + users + "}").Over(old); len(again) > 0 {
		t.Errorf("nothing has changed, and yet: %v", again)
	}
	inside, problems := config.Parse(filepath.Join(folder, "faultkeep.yaml"), []byte("data: two\nfolders: [{name: exports, path: one}]\n"))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	if _, problems := inside.Over(old); len(problems) != 1 || problems[0].Field != "folders[0].path" {
		t.Errorf("a folder in the data folder in use: %v", problems)
	}
}
