package main

import (
	"os"
	"path/filepath"
	"strings"

	"faultkeep/store/format"
	"faultkeep/store/format/delimited"
)

// decoders are the file formats that can be read, the stricter ones first.
func decoders() []format.Decoder {
	return []format.Decoder{delimited.Decoder{}}
}

// decoderFor is the first decoder to which the files look like its own.
func decoderFor(files []format.File) (format.Decoder, bool) {
	for _, d := range decoders() {
		if d.Sniff(files) {
			return d, true
		}
	}
	return nil, false
}

// partners are extensions of files that hold one recording together (IEEE C37.111, clause 4).
var partners = []string{".cfg", ".dat", ".hdr", ".inf"}

// readSet reads a file and those that belong to it: of the same name, with the
// extensions of COMTRADE.
func readSet(path string) ([]format.File, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	name := filepath.Base(path)
	files := []format.File{{Name: name, Bytes: b}}
	extension := filepath.Ext(name)
	if !containsFold(partners, extension) {
		return files, nil
	}
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		other := e.Name()
		if other == name || !strings.EqualFold(strings.TrimSuffix(other, filepath.Ext(other)), strings.TrimSuffix(name, extension)) ||
			!containsFold(partners, filepath.Ext(other)) {
			continue
		}
		b, err := os.ReadFile(filepath.Join(filepath.Dir(path), other))
		if err != nil {
			return nil, err
		}
		files = append(files, format.File{Name: other, Bytes: b})
	}
	return files, nil
}

func containsFold(list []string, s string) bool {
	for _, each := range list {
		if strings.EqualFold(each, s) {
			return true
		}
	}
	return false
}
