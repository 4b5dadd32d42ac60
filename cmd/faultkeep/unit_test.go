package main

import (
	"bytes"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"faultkeep/daemon/alert"
)

// good is an installation at the places that a package would use.
var good = plan{Binary: "/usr/bin/true", Config: "/etc/faultkeep/faultkeep.yaml", Data: "/var/lib/faultkeep", Account: "daemon"}

func unitFileOf(t *testing.T, p plan) string {
	t.Helper()
	text, err := p.unit()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), serviceName+".service")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// analyze runs systemd's own judge of units. It ends with 0 even where it
// complains, so anything on its standard error counts.
func analyze(t *testing.T, args ...string) string {
	t.Helper()
	cmd := exec.Command(peer(t, "systemd-analyze"), args...)
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil || said.Len() > 0 {
		t.Errorf("systemd-analyze %s: %v\n%s", strings.Join(args, " "), err, &said)
	}
	return string(out)
}

var updateUnit = flag.Bool("update-unit", false, "write the packages' unit anew")

var variants = map[string]func(*plan){
	"as packaged": func(*plan) {},
	"low port":    func(p *plan) { p.LowPort = true },
	"in a home":   func(p *plan) { p.Config, p.Data = "/home/anna/faultkeep.yaml", "/home/anna/data" },
	"for a trial": func(p *plan) { p.Config, p.Data = "/tmp/x/faultkeep.yaml", "/tmp/x/data" },
	"spaced":      func(p *plan) { p.Config, p.Data = "/srv/line 3/fault keep.yaml", "/srv/line 3/data" },
	"with exports": func(p *plan) {
		p.Writes, p.Secrets = []string{"/srv/exports", "/srv/line 3/kept"}, []string{"/etc/faultkeep/hook.key"}
	},
	"with specials": func(p *plan) { p.Config, p.Data = "/srv/100 %n $HOME/f.yaml", "/srv/%h;{x} #y/däta" },
}

func TestSystemdTakesTheUnit(t *testing.T) {
	exposure := regexp.MustCompile(`Overall exposure level for faultkeep.service: ([0-9.]+)`)
	for name, change := range variants {
		t.Run(name, func(t *testing.T) {
			p := good
			change(&p)
			path := unitFileOf(t, p)
			analyze(t, "verify", path)
			found := exposure.FindStringSubmatch(analyze(t, "security", "--offline=true", "--no-pager", path))
			if found == nil {
				t.Fatal("no exposure level was told")
			}
			if level, err := strconv.ParseFloat(found[1], 64); err != nil || level > 2 {
				t.Errorf("exposure %s, want at most 2.0", found[1])
			}
		})
	}
}

// What the service must have whatever its hardening: it is started again for
// ever, runs as nobody special, and can write one folder.
func TestUnitSays(t *testing.T) {
	text, err := good.unit()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Restart=always", "RestartSec=1", "StartLimitIntervalSec=0", "Wants=network-online.target", "After=network-online.target",
		"Type=notify", "WatchdogSec=60", `ExecReload="/usr/bin/true" reload --data "/var/lib/faultkeep"`, `ExecStart="/usr/bin/true" run --config "/etc/faultkeep/faultkeep.yaml"`, "User=daemon",
		"StateDirectory=faultkeep", "StateDirectoryMode=0750", "MemoryMax=2G", "LimitNOFILE=16384",
		"ProtectSystem=strict", "ProtectHome=yes", "PrivateTmp=yes", "NoNewPrivileges=yes", "CapabilityBoundingSet=", "MemoryDenyWriteExecute=yes",
		"RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX", "SystemCallFilter=@system-service", "UMask=0027", "EnvironmentFile=-/etc/faultkeep/faultkeep.env", "WantedBy=multi-user.target"} {
		if strings.Count("\n"+text, "\n"+want+"\n") != 1 {
			t.Errorf("the unit doesn't say %q once:\n%s", want, text)
		}
	}
	if strings.Contains(text, "ReadWritePaths") || strings.Contains(text, "LoadCredential") {
		t.Errorf("more can be written or read than the config asks for:\n%s", text)
	}
	if len(good.warnings()) != 0 {
		t.Errorf("warnings %v", good.warnings())
	}
}

func TestUnitGivesBackOnlyWhatItMust(t *testing.T) {
	for name, want := range map[string][]string{
		"low port":      {"CapabilityBoundingSet=CAP_NET_BIND_SERVICE", "AmbientCapabilities=CAP_NET_BIND_SERVICE", "PrivateUsers=no", "ProtectHome=yes", "PrivateTmp=yes"},
		"in a home":     {"ProtectHome=read-only", "PrivateTmp=yes", "CapabilityBoundingSet="},
		"for a trial":   {"ProtectHome=yes", "PrivateTmp=no"},
		"spaced":        {`ReadWritePaths="-/srv/line 3/data"`, "StateDirectory=", `ExecStart="/usr/bin/true" run --config "/srv/line 3/fault keep.yaml"`, "EnvironmentFile=-/srv/line 3/faultkeep.env"},
		"with exports":  {`ReadWritePaths="-/srv/exports"`, `ReadWritePaths="-/srv/line 3/kept"`, "StateDirectory=faultkeep", "LoadCredential=" + alert.Credential("/etc/faultkeep/hook.key") + ":/etc/faultkeep/hook.key"},
		"with specials": {`ReadWritePaths="-/srv/%%h;{x} #y/däta"`, `ExecStart="/usr/bin/true" run --config "/srv/100 %%n $$HOME/f.yaml"`},
	} {
		p := good
		variants[name](&p)
		text, err := p.unit()
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range want {
			if !strings.Contains(text, "\n"+w+"\n") {
				t.Errorf("%s: no %q in\n%s", name, w, text)
			}
		}
		if wants := map[string]int{"in a home": 2, "for a trial": 2}[name]; len(p.warnings()) != wants {
			t.Errorf("%s: warnings %v", name, p.warnings())
		}
		if config, data := noted(text); config != p.Config || data != p.Data {
			t.Errorf("%s: noted %q and %q", name, config, data)
		}
	}
	if p := (plan{Binary: "/rootless/faultkeep", Config: "/homes/x", Data: "/tmpfs"}); len(p.warnings()) != 0 {
		t.Errorf("warned of folders that only begin alike: %v", p.warnings())
	}
}

// A path must not be able to add a line or an argument to the unit.
func TestUnitRefusesAwkwardPaths(t *testing.T) {
	for _, path := range []string{"/srv/a\nUser=root", "/srv/a\" /etc \"", `/srv/a\x20b`, "/srv/'a'", "/srv/{{Name}}", "/srv/\x00", "relative", "", "/srv/\xff"} {
		for _, change := range []func(*plan){func(p *plan) { p.Binary = path }, func(p *plan) { p.Config = path }, func(p *plan) { p.Data = path }, func(p *plan) { p.Writes = []string{path} }, func(p *plan) { p.Secrets = []string{path} }} {
			p := good
			change(&p)
			if text, err := p.unit(); err == nil {
				t.Errorf("%q was taken:\n%s", path, text)
			}
		}
	}
}

// The unit that packages bring is the one that `service install` writes there.
// After a change: go test ./cmd/faultkeep -run PackagedUnit -update-unit
func TestPackagedUnit(t *testing.T) {
	text, err := plan{Binary: "/usr/bin/faultkeep", Config: "/etc/faultkeep/faultkeep.yaml", Data: usualData, Account: serviceName}.unit()
	if err != nil {
		t.Fatal(err)
	}
	const path = "testdata/faultkeep.service"
	if *updateUnit {
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if b, err := os.ReadFile(path); err != nil || string(b) != text {
		t.Errorf("%s differs from\n%s%v", path, text, err)
	}
}
