package config

import (
	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
	"faultkeep/store/format/delimited"
)

// Formats are the file formats that folders and imports can have, in the order
// in which format: auto tries them.
var Formats = []format.Decoder{comtrade.Decoder{}, delimited.Decoder{}}

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
