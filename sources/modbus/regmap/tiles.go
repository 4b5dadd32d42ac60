package regmap

import (
	"cmp"
	"slices"

	"faultkeep/store/capture"
)

// maxRecordWords is the most registers that one answer to function code 20
// holds: its data length is at most F5h, with two bytes before the registers
// (Modbus Application Protocol Specification V1.1b3, §6.14).
const maxRecordWords = 121

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

// Tiles are the data requests in the order in which they are worth reading,
// as few as can be, each byte of the data once.
//
// They go from the trigger outwards, by the least distance in time of any of a
// tile's samples; of two as far, the one before the trigger first. So a pull
// that is cut after any number of tiles has the widest possible time around
// the trigger of which no channel misses a sample. In the window layout all
// tiles of one page follow each other, and pages come by their nearest tile:
// showing a page costs more than reading from it.
//
// enc must be what Recording built.
func (m *Map) Tiles(enc capture.Encoding, trigger int) []Tile {
	var tiles []Tile
	for _, run := range m.Data.runs(enc) {
		tiles = append(tiles, run.cut(m.Data, m.Limits.Registers)...)
	}
	type ranked struct {
		tile Tile
		page distance // of the nearest tile of the page
		own  distance
	}
	ranks := make([]ranked, len(tiles))
	pages := map[int]distance{}
	channels := spans(enc)
	for i, t := range tiles {
		own := channels.distance(t.Offset/2, t.Offset/2+int64(t.Words), trigger)
		ranks[i] = ranked{tile: t, own: own}
		if nearest, ok := pages[t.Page]; !ok || own.compare(nearest) < 0 {
			pages[t.Page] = own
		}
	}
	for i := range ranks {
		if page := ranks[i].tile.Page; page >= 0 {
			ranks[i].page = pages[page]
		}
	}
	slices.SortStableFunc(ranks, func(a, b ranked) int {
		return cmp.Or(a.page.compare(b.page), cmp.Compare(a.tile.Page, b.tile.Page), a.own.compare(b.own), cmp.Compare(a.tile.Offset, b.tile.Offset))
	})
	for i, r := range ranks {
		tiles[i] = r.tile
	}
	return tiles
}

// run is a stretch of data that requests can read straight through.
type run struct {
	word    int64 // of the data, from 0
	length  int64 // in registers
	address int64 // of the first register
	page    int   // or −1
	file    int64
}

// runs are the stretches of the whole data in order.
func (d Data) runs(enc capture.Encoding) []run {
	total := enc.Size() / 2
	var runs []run
	switch d.Layout {
	case Window:
		for word := int64(0); word < total; word += int64(d.Length) {
			runs = append(runs, run{word, min(int64(d.Length), total-word), int64(d.Address), int(word / int64(d.Length)), 0})
		}
	case FileRecords:
		file, record := int64(d.File), int64(d.Record)
		for word := int64(0); word < total; {
			n := min(int64(d.RecordsPerFile)-record, total-word)
			runs = append(runs, run{word, n, record, -1, file})
			word, file, record = word+n, file+1, 0
		}
	default:
		if d.Stride == 0 {
			return []run{{0, total, int64(d.Address), -1, 0}}
		}
		var word int64
		for i, ch := range enc.Channels {
			n := int64(enc.Samples) * int64(ch.Type.Words())
			address := int64(d.Address) + int64(i)*int64(d.Stride)
			if last := len(runs) - 1; last >= 0 && runs[last].address+runs[last].length == address {
				runs[last].length += n // nothing lies between these channels
			} else {
				runs = append(runs, run{word, n, address, -1, 0})
			}
			word += n
		}
	}
	return runs
}

// cut makes the requests for a run: full ones, and the rest in the last.
func (r run) cut(d Data, most int) (tiles []Tile) {
	most = max(1, most)
	if d.Layout == FileRecords {
		most = min(most, maxRecordWords)
	}
	for at := int64(0); at < r.length; at += int64(most) {
		n := min(int64(most), r.length-at)
		t := Tile{Words: int(n), Page: r.page, Offset: 2 * (r.word + at), Bytes: int(2 * n)}
		if d.Layout == FileRecords {
			t.File, t.Record = uint16(r.file), uint16(r.address+at)
		} else {
			t.Read = Read{d.Table, uint16(r.address + at), uint16(n)}
		}
		tiles = append(tiles, t)
	}
	return tiles
}

// distance in samples from the trigger.
type distance struct {
	samples int64
	after   bool // all of it lies after the trigger
}

func (a distance) compare(b distance) int {
	if c := cmp.Compare(a.samples, b.samples); c != 0 || a.after == b.after {
		return c
	}
	if b.after {
		return -1
	}
	return 1
}

// spanning tells which samples lie in which registers of the data.
type spanning []struct {
	start, end, width int64 // registers: of the run of samples, of one sample
}

func spans(enc capture.Encoding) spanning {
	if enc.Order == capture.Interleaved {
		return spanning{{0, enc.Size() / 2, enc.Size() / 2 / int64(enc.Samples)}}
	}
	var s spanning
	var at int64
	for _, ch := range enc.Channels {
		width := int64(ch.Type.Words())
		size := width * int64(enc.Samples)
		s = append(s, struct{ start, end, width int64 }{at, at + size, width})
		at += size
	}
	return s
}

// distance is that of the nearest sample with a register in [from, to).
func (s spanning) distance(from, to int64, trigger int) distance {
	var nearest distance
	found := false
	for _, ch := range s {
		if to <= ch.start || from >= ch.end {
			continue
		}
		first := (max(from, ch.start) - ch.start) / ch.width
		last := (min(to, ch.end) - 1 - ch.start) / ch.width
		var d distance
		switch t := int64(trigger); {
		case last < t:
			d = distance{t - last, false}
		case first > t:
			d = distance{first - t, true}
		}
		if !found || d.compare(nearest) < 0 {
			nearest, found = d, true
		}
	}
	return nearest
}
