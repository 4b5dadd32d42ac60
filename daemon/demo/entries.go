package demo

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"

	"faultkeep/configs"
	"faultkeep/sources/drivesim"
)

// Address is the host:port under which this computer reaches the drive.
func (s *Simulated) Address() string {
	host, port, err := net.SplitHostPort(s.listens)
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
		if ip.To4() == nil {
			host = "::1"
		}
	}
	return net.JoinHostPort(host, port)
}

// carried is the built-in map that fits the drive, if one does.
func (s *Simulated) carried() (name string, ok bool) {
	name = "sim-" + string(s.Spec.Face)
	text, err := configs.Map(name)
	return name, err == nil && string(text) == s.Map()
}

// MapName is what a config names as the drive's map: a built-in one, or a file
// that WriteMaps writes.
func (s *Simulated) MapName() string {
	if name, ok := s.carried(); ok {
		return "builtin:" + name
	}
	return s.mapFile()
}

func (s *Simulated) mapFile() string {
	if name, ok := s.carried(); ok {
		return name + ".yaml"
	}
	return s.Spec.Name + ".yaml"
}

// entry is the drive's entry under drives: in a config.
func (s *Simulated) entry(m string) string {
	allow := "[arm]"
	if s.Spec.Face == drivesim.Window {
		allow = "[page, arm]"
	}
	return fmt.Sprintf("  - name: %s\n    title: %q\n    address: %q\n    unit: %d\n    map: %q\n    allow: %s\n",
		s.Spec.Name, s.Name(), s.Address(), s.Spec.Unit, m, allow)
}

// Entries are the entries of all drives for a config. Where files is set, they
// name the files of WriteMaps and not the built-in maps.
func (p *Plant) Entries(files bool) string {
	var b strings.Builder
	b.WriteString("drives:\n")
	for _, d := range p.Drives {
		name := d.MapName()
		if files {
			name = d.mapFile()
		}
		b.WriteString(d.entry(name))
	}
	return b.String()
}

// WriteMaps writes the maps of all drives into a folder.
func (p *Plant) WriteMaps(folder string) error {
	for _, d := range p.Drives {
		if err := os.WriteFile(filepath.Join(folder, d.mapFile()), []byte(d.Map()), 0o644); err != nil {
			return err
		}
	}
	return nil
}
