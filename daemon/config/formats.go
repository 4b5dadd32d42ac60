package config

import (
	"slices"

	"faultkeep/sources/folder"
	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
	"faultkeep/store/format/delimited"
)

// Formats are the file formats that folders and imports can have, in the order
// in which format: auto tries them.
var Formats = []format.Decoder{comtrade.Decoder{}, delimited.Decoder{}}

// FormatsFor are the formats with what a folder's config says of them.
func FormatsFor(f folder.Config) []format.Decoder {
	formats := slices.Clone(Formats)
	for i, one := range formats {
		if _, ok := one.(delimited.Decoder); ok {
			formats[i] = delimited.Decoder{Dialect: f.Dialect}
		}
	}
	return formats
}

// Auto is the word for the first format that takes a file for its own.
const Auto = "auto"

// FormatNames are the words that format: knows.
func FormatNames() []string {
	names := []string{Auto}
	for _, f := range Formats {
		names = append(names, f.Name())
	}
	return names
}
