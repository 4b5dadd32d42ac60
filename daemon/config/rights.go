package config

import (
	"path/filepath"
	"slices"

	"faultkeep/sources/folder"
)

// What a service needs to be let do, beyond reading its config and writing its
// data folder. All paths are absolute.

// Listens are the addresses that are listened on.
func (l *Loaded) Listens() []string {
	out := []string{l.Config.Web.Listen}
	if l.Config.Holdoff != nil {
		out = append(out, l.Config.Holdoff.Listen)
	}
	return out
}

// Reads are the folders and files that are only read, beside the config and
// what lies with it.
func (l *Loaded) Reads() (out []string) {
	for _, f := range l.Folders {
		if f.Config.After != folder.Move && f.Config.After != folder.Delete {
			out = append(out, f.Config.Path)
		}
	}
	if t := l.Config.Web.TLS; t != nil {
		out = append(out, t.Cert, t.Key)
	}
	return once(slices.DeleteFunc(out, func(path string) bool { return path == "" }))
}

// Writes are the folders that something is written to, moved to or deleted from.
func (l *Loaded) Writes() (out []string) {
	for _, f := range l.Folders {
		switch f.Config.After {
		case folder.Move:
			out = append(out, f.Config.Path, f.Config.MoveTo)
		case folder.Delete:
			out = append(out, f.Config.Path)
		}
	}
	for _, s := range l.Config.Alerts.Sinks {
		if s.File != nil {
			out = append(out, filepath.Dir(s.File.Path))
		}
	}
	if l.Config.Log.File != "" {
		out = append(out, filepath.Dir(l.Config.Log.File))
	}
	if b := l.Config.Brief; b != nil && b.Folder != "" {
		out = append(out, b.Folder)
	}
	return once(out)
}

// Makes are those of Writes that are made where they are missing; others may be
// on a share that isn't there at the moment.
func (l *Loaded) Makes() (out []string) {
	if b := l.Config.Brief; b != nil && b.Folder != "" {
		out = append(out, b.Folder)
	}
	return out
}

// Secrets are the files that hold passwords and keys.
func (l *Loaded) Secrets() (out []string) {
	for _, s := range l.Config.Alerts.Sinks {
		if s.Webhook != nil {
			out = append(out, s.Webhook.SecretFile, s.Webhook.SignFile)
		}
		if s.MQTT != nil {
			out = append(out, s.MQTT.PasswordFile)
		}
		if s.Email != nil {
			out = append(out, s.Email.PasswordFile)
		}
	}
	return once(slices.DeleteFunc(out, func(path string) bool { return path == "" }))
}

// once leaves each path out but the first time.
func once(paths []string) []string {
	slices.Sort(paths)
	return slices.Compact(paths)
}
