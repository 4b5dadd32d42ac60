package regmap_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

// drawRecording makes a map's data section, a recording that fits it, and a trigger.
func drawRecording(t *rapid.T, mostSamples int, layouts ...regmap.Layout) (*regmap.Map, capture.Encoding, int) {
	m := &regmap.Map{Limits: regmap.Limits{Registers: rapid.IntRange(1, 125).Draw(t, "registers")}}
	enc := capture.Encoding{
		Order:   rapid.SampledFrom([]capture.Order{capture.ByChannel, capture.Interleaved}).Draw(t, "order"),
		Samples: rapid.IntRange(1, mostSamples).Draw(t, "samples"),
	}
	for range rapid.IntRange(1, 4).Draw(t, "channels") {
		enc.Channels = append(enc.Channels, capture.Coding{Type: rapid.SampledFrom([]capture.Type{capture.Int16, capture.Uint16, capture.Float32, capture.Int64}).Draw(t, "type"), Scale: 1})
	}
	m.Data = regmap.Data{Layout: rapid.SampledFrom(layouts).Draw(t, "layout"), Order: enc.Order, Table: regmap.Input, Address: uint16(rapid.IntRange(0, 500).Draw(t, "address"))}
	switch d := &m.Data; d.Layout {
	case regmap.Block:
		if enc.Order == capture.ByChannel && rapid.Bool().Draw(t, "strided") {
			d.Stride = 4*enc.Samples + rapid.IntRange(0, 3).Draw(t, "spare") // wide enough for any type
			if rapid.Bool().Draw(t, "tight") {
				d.Stride = enc.Samples // which packs 16-bit channels
				for i := range enc.Channels {
					enc.Channels[i].Type = capture.Int16
				}
			}
		}
	case regmap.Window:
		d.Length = rapid.IntRange(1, 300).Draw(t, "length")
		d.First, d.Step = rapid.IntRange(-3, 3).Draw(t, "first"), rapid.IntRange(1, 9).Draw(t, "step")
	case regmap.FileRecords:
		d.File = uint16(rapid.IntRange(1, 9).Draw(t, "file"))
		d.RecordsPerFile = rapid.IntRange(1, 400).Draw(t, "records")
		d.Record = uint16(rapid.IntRange(0, d.RecordsPerFile-1).Draw(t, "record"))
	}
	return m, enc, rapid.IntRange(0, enc.Samples-1).Draw(t, "trigger")
}

// location is where one register of the data is, worked out register by
// register from the layout's definition.
type location struct{ page, file, address int }

func locations(m *regmap.Map, enc capture.Encoding) []location {
	d := m.Data
	all := make([]location, enc.Size()/2)
	for word := range all {
		switch d.Layout {
		case regmap.Window:
			all[word] = location{word / d.Length, 0, int(d.Address) + word%d.Length}
		case regmap.FileRecords:
			at := int(d.Record) + word
			all[word] = location{-1, int(d.File) + at/d.RecordsPerFile, at % d.RecordsPerFile}
		default:
			all[word] = location{-1, 0, int(d.Address) + word}
		}
	}
	if d.Layout == regmap.Block && d.Stride > 0 {
		for ch := range enc.Channels {
			from, to := enc.At(ch, 0).Start/2, enc.At(ch, enc.Samples-1).End/2
			for word := from; word < to; word++ {
				all[word] = location{-1, 0, int(d.Address) + ch*d.Stride + int(word-from)}
			}
		}
	}
	return all
}

var everyLayout = []regmap.Layout{regmap.Block, regmap.Window, regmap.FileRecords}

func TestTilesReadEachRegisterOnceWithTheFewestRequests(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, enc, trigger := drawRecording(t, 600, everyLayout...)
		where := locations(m, enc)
		most := m.Limits.Registers
		if m.Data.Layout == regmap.FileRecords {
			most = min(most, 121)
		}
		tiles := m.Tiles(enc, trigger)
		seen := make([]bool, len(where))
		for _, tile := range tiles {
			if tile.Words < 1 || tile.Words > most || tile.Bytes != 2*tile.Words || tile.Offset%2 != 0 {
				t.Fatalf("%+v", tile)
			}
			for i := range tile.Words {
				word := int(tile.Offset/2) + i
				if seen[word] {
					t.Fatalf("register %d of the data is read twice", word)
				}
				seen[word] = true
				got := location{tile.Page, int(tile.File), int(tile.Record) + i}
				if m.Data.Layout != regmap.FileRecords {
					got = location{tile.Page, 0, int(tile.Read.Address) + i}
					if int(tile.Read.Count) != tile.Words || tile.Read.Table != regmap.Input {
						t.Fatalf("%+v", tile)
					}
				}
				if got != where[word] {
					t.Fatalf("register %d of the data is read at %+v, it is at %+v", word, got, where[word])
				}
			}
		}
		if slices.Contains(seen, false) {
			t.Fatal("a register isn't read")
		}
		// Going along and asking for as much as one request holds is the fewest there can be.
		fewest, length := 0, 0
		for i, at := range where {
			if i == 0 || length == most || at != (location{where[i-1].page, where[i-1].file, where[i-1].address + 1}) {
				fewest, length = fewest+1, 0
			}
			length++
		}
		if len(tiles) != fewest {
			t.Fatalf("%d requests, %d would do", len(tiles), fewest)
		}
	})
}

// reach is the number of samples on either side of the trigger within which
// no channel misses one, by the definition; −1 if the trigger sample misses.
func reach(enc capture.Encoding, trigger int, tiles []regmap.Tile) int {
	have := make([]bool, enc.Size())
	for _, t := range tiles {
		for i := range t.Bytes {
			have[int(t.Offset)+i] = true
		}
	}
	nearest := enc.Samples
	for ch := range enc.Channels {
		for s := range enc.Samples {
			r := enc.At(ch, s)
			if slices.Contains(have[r.Start:r.End], false) {
				nearest = min(nearest, max(s-trigger, trigger-s))
			}
		}
	}
	return nearest - 1
}

// Cut after any number of tiles, no other order of the same tiles has more
// around the trigger.
func TestTilesGoFromTheTriggerOutwards(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, enc, trigger := drawRecording(t, 40, regmap.Block, regmap.FileRecords)
		m.Limits.Registers = rapid.IntRange(max(1, int(enc.Size()/2/6)), 125).Draw(t, "few requests")
		if m.Data.Layout == regmap.FileRecords {
			m.Data.RecordsPerFile, m.Data.Record = 10_000, 0
		}
		tiles := m.Tiles(enc, trigger)
		if len(tiles) > 7 {
			t.Skip("too many orders to try")
		}
		ours := make([]int, len(tiles)+1)
		for cut := range ours {
			ours[cut] = reach(enc, trigger, tiles[:cut])
		}
		var try func(taken []regmap.Tile, left []regmap.Tile)
		best := make([]int, len(tiles)+1)
		for i := range best {
			best[i] = -1
		}
		sets := map[int]bool{} // what is there matters, not in which order it came
		try = func(taken, left []regmap.Tile) {
			key := 0
			for _, tile := range taken {
				key |= 1 << slices.IndexFunc(tiles, func(o regmap.Tile) bool { return o.Offset == tile.Offset })
			}
			if sets[key] {
				return
			}
			sets[key] = true
			best[len(taken)] = max(best[len(taken)], reach(enc, trigger, taken))
			for i := range left {
				try(append(slices.Clone(taken), left[i]), append(slices.Clone(left[:i]), left[i+1:]...))
			}
		}
		try(nil, tiles)
		if !slices.Equal(ours, best) {
			t.Fatalf("samples around the trigger after each request: %v, possible %v\n%+v", ours, best, tiles)
		}
	})
}

func TestTilesShowEachPageOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, enc, trigger := drawRecording(t, 200, regmap.Window)
		var pages []int
		reaches := map[int]int{}
		tiles := m.Tiles(enc, trigger)
		for i, tile := range tiles {
			if i == 0 || tile.Page != tiles[i-1].Page {
				pages = append(pages, tile.Page)
			}
			d := distanceOf(enc, trigger, tile)
			if before, ok := reaches[tile.Page]; ok && i > 0 && d < distanceOf(enc, trigger, tiles[i-1]) {
				t.Fatalf("page %d is not read from the trigger outwards", tile.Page)
			} else if !ok || d < before {
				reaches[tile.Page] = d
			}
		}
		for i := 1; i < len(pages); i++ {
			if reaches[pages[i]] < reaches[pages[i-1]] {
				t.Fatalf("page %d comes before %d, which is nearer", pages[i-1], pages[i])
			}
		}
		slices.Sort(pages)
		if len(slices.Compact(slices.Clone(pages))) != len(pages) {
			t.Fatalf("a page is shown twice: %v", pages)
		}
	})
}

// distanceOf is that of the tile's nearest sample.
func distanceOf(enc capture.Encoding, trigger int, tile regmap.Tile) int {
	nearest := enc.Samples
	for ch := range enc.Channels {
		for s := range enc.Samples {
			if r := enc.At(ch, s); r.Start < tile.Offset+int64(tile.Bytes) && tile.Offset < r.End {
				nearest = min(nearest, max(s-trigger, trigger-s))
			}
		}
	}
	return nearest
}

func TestOfTwoAsFarTheOneBeforeTheTriggerComesFirst(t *testing.T) {
	m := &regmap.Map{Data: regmap.Data{Layout: regmap.Block, Table: regmap.Holding}, Limits: regmap.Limits{Registers: 1}}
	enc := capture.Encoding{Order: capture.ByChannel, Samples: 5, Channels: []capture.Coding{{Type: capture.Int16, Scale: 1}}}
	var order []uint16
	for _, tile := range m.Tiles(enc, 2) {
		order = append(order, tile.Read.Address)
	}
	if !slices.Equal(order, []uint16{2, 1, 3, 0, 4}) {
		t.Errorf("read in the order %v", order)
	}
}

func TestPageNumber(t *testing.T) {
	d := regmap.Data{First: 100, Step: 50}
	if d.PageNumber(0) != 100 || d.PageNumber(3) != 250 {
		t.Error(d.PageNumber(0), d.PageNumber(3))
	}
}

// 65,536 registers take 525 reads of 125 by function code 03. By function code
// 20, whose answer holds at most 121 registers (F5h bytes; Modbus Application
// Protocol Specification V1.1b3, §6.14) and whose files hold 10,000 records,
// they take 542 if files could be read across, and 83 for each of six whole
// files and 46 for the rest as they are: 544.
func TestRequestsOfTheWholeAddressSpace(t *testing.T) {
	enc := capture.Encoding{Order: capture.ByChannel, Samples: 65536, Channels: []capture.Coding{{Type: capture.Int16, Scale: 1}}}
	for layout, want := range map[regmap.Layout][2]int{regmap.Block: {525, 125}, regmap.FileRecords: {544, 121}} {
		m := &regmap.Map{Data: regmap.Data{Layout: layout, Table: regmap.Holding, File: 1, RecordsPerFile: 10_000}, Limits: regmap.Limits{Registers: 125}}
		tiles := m.Tiles(enc, 30_000)
		longest := 0
		for _, tile := range tiles {
			longest = max(longest, tile.Words)
		}
		if len(tiles) != want[0] || longest != want[1] {
			t.Errorf("%s: %d requests of up to %d registers, want %v", layout, len(tiles), longest, want)
		}
	}
}
