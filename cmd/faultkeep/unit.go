package main

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"unicode"

	"faultkeep/daemon/alert"
)

// plan is what the service is installed with. Paths are absolute.
type plan struct {
	Binary  string
	Config  string
	Data    string
	Account string   // that it runs as; never root
	LowPort bool     // it listens below port 1024
	Listens []string // addresses that it listens on
	Reads   []string // folders and files outside the config's folder that it only reads
	Writes  []string // further folders that it must be able to write
	Makes   []string // those of them that are made where they are missing
	Secrets []string // files that only root needs to be able to read
}

// usualData is the data folder that systemd makes for a service of this name.
const usualData = "/var/lib/" + serviceName

// serviceName is what the system knows the service by.
const (
	serviceName  = "faultkeep"
	serviceTitle = "faultkeep: keeps the fault recordings of drives"
)

// environment is the file beside the config that may hold secrets as NAME=value.
func (p plan) environment() string { return filepath.Join(filepath.Dir(p.Config), "faultkeep.env") }

// unit is the systemd unit. The daemon reads drives and a config and writes
// its data folder and what its config names, so everything else is taken from it; where the files lie may
// force a part of that to be given back, which warnings tells.
//
// It is written whole here, since the escaping that systemd wants differs from
// setting to setting; see word and plain.
func (p plan) unit() (string, error) {
	for _, path := range slices.Concat([]string{p.Binary, p.Config, p.Data}, p.Writes, p.Secrets) {
		if !filepath.IsAbs(path) || strings.ContainsFunc(path, awkward) || strings.Contains(path, "{{") {
			return "", usageError{fmt.Errorf("%q can't stand in a systemd unit. Give it a path without quotes, backslashes, double braces or control characters", path)}
		}
	}
	home, tmp := "yes", "yes"
	if p.anyUnder("/home", "/root", "/run/user") {
		home = "read-only"
	}
	if p.anyUnder("/tmp", "/var/tmp") {
		tmp = "no"
	}
	capability, users := "", "yes"
	if p.LowPort { // a capability counts for ports only in the machine's own user namespace
		capability, users = "CAP_NET_BIND_SERVICE", "no"
	}
	// systemd makes the usual data folder and gives it to the account.
	state, writable := "", p.Writes
	if p.Data == usualData {
		state = serviceName
	} else {
		writable = append([]string{p.Data}, writable...)
	}
	var b strings.Builder
	set := func(lines ...string) {
		for _, l := range lines {
			b.WriteString(l + "\n")
		}
	}
	set("# Written by `faultkeep service install`, which replaces it. Changes go into",
		"# a drop-in: systemctl edit "+serviceName,
		"[Unit]",
		"Description="+serviceTitle,
		"Wants=network-online.target",
		"After=network-online.target",
		"RequiresMountsFor="+word(p.Data)+" "+word(p.Config),
		"# However often it fails, it is started again: a drive trips when it will.",
		"StartLimitIntervalSec=0",
		"",
		"[Service]",
		"# It says when it watches, and goes on saying so only as long as every watch makes progress.",
		"Type=notify",
		"WatchdogSec=60",
		"# A large store takes its time to be looked through.",
		"TimeoutStartSec=infinity",
		"ExecStart="+argument(p.Binary)+" run --config "+argument(p.Config),
		"ExecReload="+argument(p.Binary)+" reload --data "+argument(p.Data),
		"EnvironmentFile=-"+plain(p.environment()),
		"User="+p.Account,
		"Group="+p.Account,
		"Restart=always",
		"RestartSec=1",
		"TimeoutStopSec=10",
		"UMask=0027")
	for _, path := range p.Secrets {
		set("LoadCredential=" + alert.Credential(path) + ":" + plain(path))
	}
	set("",
		"# More than a hundred drives need; what runs away is started again.",
		"MemoryHigh=1G",
		"MemoryMax=2G",
		"LimitNOFILE=16384",
		"TasksMax=512",
		"",
		"# Files: all read-only but the data folder, and what the config has it write.",
		"StateDirectory="+state,
		"StateDirectoryMode=0750")
	for _, path := range writable { // one that isn't there, or not yet, must not keep it from starting
		set("ReadWritePaths=" + word("-"+path))
	}
	set(
		"ProtectSystem=strict",
		"ProtectHome="+home,
		"PrivateTmp="+tmp,
		"PrivateMounts=yes",
		"PrivateDevices=yes",
		"DevicePolicy=closed",
		"ProtectProc=invisible",
		"ProtectControlGroups=yes",
		"ProtectKernelTunables=yes",
		"ProtectKernelModules=yes",
		"ProtectKernelLogs=yes",
		"ProtectHostname=yes",
		"",
		"# Rights: none.",
		"NoNewPrivileges=yes",
		"CapabilityBoundingSet="+capability,
		"AmbientCapabilities="+capability,
		"PrivateUsers="+users,
		"RestrictSUIDSGID=yes",
		"RestrictNamespaces=yes",
		"RestrictRealtime=yes",
		"LockPersonality=yes",
		"MemoryDenyWriteExecute=yes",
		"RemoveIPC=yes",
		"KeyringMode=private",
		"",
		"# Network: drives, the page and name look-ups, nothing lower.",
		"RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX",
		"SystemCallArchitectures=native",
		"SystemCallFilter=@system-service",
		"SystemCallFilter=~@privileged @resources",
		"# Reading how far off the clock may be. Setting it needs a right that isn't given.",
		"SystemCallFilter=adjtimex",
		"SystemCallErrorNumber=EPERM",
		"",
		"[Install]",
		"WantedBy=multi-user.target",
		"",
		"# For faultkeep itself; systemd skips it.",
		"[X-Faultkeep]",
		"Config="+p.Config,
		"Data="+p.Data)
	return b.String(), nil
}

// warnings are what the places of the files cost, in words.
func (p plan) warnings() (out []string) {
	for _, f := range []struct{ what, path string }{{"the program", p.Binary}, {"the config", p.Config}, {"the data folder", p.Data}} {
		switch {
		case under(f.path, "/home", "/root", "/run/user"):
			out = append(out, fmt.Sprintf("%s %s lies in a home folder, so the service can read all of those. Better places are /usr/local/bin, /etc/faultkeep and /var/lib/faultkeep", f.what, f.path))
		case under(f.path, "/tmp", "/var/tmp"):
			out = append(out, fmt.Sprintf("%s %s lies in a folder that is emptied when the machine starts. Put it elsewhere before this is more than a trial", f.what, f.path))
		}
	}
	return out
}

func (p plan) anyUnder(folders ...string) bool {
	return slices.ContainsFunc(slices.Concat([]string{p.Binary, p.Config, p.Data}, p.Writes), func(path string) bool { return under(path, folders...) })
}

func under(path string, folders ...string) bool {
	for _, f := range folders {
		if path == f || strings.HasPrefix(path, f+"/") {
			return true
		}
	}
	return false
}

func awkward(r rune) bool {
	return unicode.IsControl(r) || r == '"' || r == '\'' || r == '\\' || r == unicode.ReplacementChar
}

// plain is a path where systemd takes the rest of the line but expands specifiers.
func plain(path string) string { return strings.ReplaceAll(path, "%", "%%") }

// word is a path where systemd takes several, split at spaces.
func word(path string) string { return `"` + plain(path) + `"` }

// argument is a path on a command line, where variables are expanded too.
func argument(path string) string { return strings.ReplaceAll(word(path), "$", "$$") }

// noted reads from a unit what [X-Faultkeep] says.
func noted(unit string) (config, data string) {
	_, notes, _ := strings.Cut(unit, "\n[X-Faultkeep]\n")
	for _, l := range strings.Split(notes, "\n") {
		if v, ok := strings.CutPrefix(l, "Config="); ok {
			config = v
		} else if v, ok := strings.CutPrefix(l, "Data="); ok {
			data = v
		}
	}
	return config, data
}
