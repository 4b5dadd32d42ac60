package config

import (
	"path/filepath"
	"strings"

	"faultkeep/configs"
	"faultkeep/configs/strict"
	"faultkeep/sources/faultcode"
	"faultkeep/sources/modbus/regmap"
)

// files reads maps and fault tables, each once however many drives name it.
type files struct {
	shown    string // folder of the config as the user wrote it
	folder   string // the same, absolute
	maps     map[string]*regmap.Map
	tables   map[string]*faultcode.Table
	problems strict.Problems
}

func newFiles(config, folder string) *files {
	return &files{shown: filepath.Dir(config), folder: folder,
		maps: make(map[string]*regmap.Map), tables: make(map[string]*faultcode.Table)}
}

// path is where a file named in the config is.
func (f *files) path(name string) string {
	if filepath.IsAbs(name) {
		return filepath.Clean(name)
	}
	return filepath.Join(f.folder, name)
}

// display is the same as people know it: beside the config as they named it.
func (f *files) display(name string) string {
	if filepath.IsAbs(name) || strings.HasPrefix(name, builtin) {
		return name
	}
	return filepath.Join(f.shown, name)
}

// mapFile reads a map. text says why it can't be read; problems inside the
// file are collected, and then the map is nil.
func (f *files) mapFile(name string) (m *regmap.Map, text, hint string) {
	if m, ok := f.maps[name]; ok {
		return m, "", ""
	}
	src, text, hint := f.fetch(name, "map", configs.Map, configs.Maps())
	if text != "" {
		return nil, text, hint
	}
	m, problems := regmap.Parse(f.display(name), src)
	if len(problems) > 0 {
		f.problems = append(f.problems, problems...)
		m = nil
	}
	f.maps[name] = m
	return m, "", ""
}

// tableFile does the same for a fault table.
func (f *files) tableFile(name string) (t *faultcode.Table, text, hint string) {
	if t, ok := f.tables[name]; ok {
		return t, "", ""
	}
	src, text, hint := f.fetch(name, "fault table", configs.Faults, configs.FaultTables())
	if text != "" {
		return nil, text, hint
	}
	t, problems := faultcode.Parse(f.display(name), src)
	if len(problems) > 0 {
		f.problems = append(f.problems, problems...)
		t = nil
	}
	f.tables[name] = t
	return t, "", ""
}

func (f *files) fetch(name, what string, carried func(string) ([]byte, error), known []string) (src []byte, text, hint string) {
	if inside, ok := strings.CutPrefix(name, builtin); ok {
		src, err := carried(inside)
		if err != nil {
			return nil, "there is no " + what + " " + name, meant(name, prefixed(known))
		}
		return src, "", ""
	}
	src, err := read(f.path(name))
	if err == nil {
		return src, "", ""
	}
	hint = "name a file beside the config, or " + builtin + "NAME for one that faultkeep carries"
	if near := strict.Nearest(strings.TrimSuffix(name, ".yaml"), known); near != "" {
		hint = "did you mean " + builtin + near + "?"
	}
	return nil, "the " + what + " " + f.display(name) + " can't be read: " + cause(err), hint
}

func prefixed(names []string) []string {
	out := make([]string, len(names))
	for i, name := range names {
		out[i] = builtin + name
	}
	return out
}
