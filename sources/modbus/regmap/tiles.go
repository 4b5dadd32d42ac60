package regmap

import "faultkeep/store/capture"

// Tile is one data request and where its bytes belong.
type Tile struct {
	Read   Read   // block and window layouts: the registers to read
	File   uint16 // file-records layout: file, record and words to read instead
	Record uint16
	Words  int   // registers in the request, whatever the layout
	Page   int   // window layout: page that must show, from 0; else −1
	Offset int64 // of the tile's bytes in part capture.Data
	Bytes  int
}

// PageNumber is what the drive wants written for page p.
func (d Data) PageNumber(p int) int { return d.First + p*d.Step }

// Tiles are the data requests in the order in which they are worth reading:
// from the trigger outwards, as few as can be, each byte of the data once.
func (m *Map) Tiles(enc capture.Encoding, trigger int) []Tile { return nil }
