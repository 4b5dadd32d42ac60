package main

import (
	"os"
	"path/filepath"
	"slices"

	"faultkeep/daemon/config"
	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
)

// decoderFor is the first format to which the files look like its own.
func decoderFor(files []format.File) (format.Decoder, bool) {
	for _, d := range config.Formats {
		if d.Sniff(files) {
			return d, true
		}
	}
	return nil, false
}

// readSet reads a file and those beside it that hold one recording with it.
func readSet(path string) ([]format.File, error) {
	folder, name := filepath.Dir(path), filepath.Base(path)
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	together := []string{name}
	for _, set := range comtrade.Sets(names) {
		if slices.Contains(set.Names(), name) {
			together = set.Names()
		}
	}
	var files []format.File
	for _, each := range together {
		b, err := os.ReadFile(filepath.Join(folder, each))
		if err != nil {
			return nil, err
		}
		files = append(files, format.File{Name: each, Bytes: b})
	}
	return files, nil
}
