package main

import (
	"fmt"
	"io"
	"os"
	"strings"

	"faultkeep/configs"
	recorder "faultkeep/daemon/analysis/plan"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

// readCarried reads a map file, or the one in the program that builtin:NAME stands for.
func readCarried(name string) ([]byte, error) {
	if inside, ok := strings.CutPrefix(name, "builtin:"); ok {
		return configs.Map(inside)
	}
	info, err := os.Stat(name) // before opening, since opening a pipe would wait for a writer
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is not a file", name)
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, 4<<20))
}

// bare stands in where there is no map: samples in plain registers, a status
// and a header that take one request each, and as many channels as there may be.
func (c *planCommand) bare() *regmap.Map {
	state := regmap.Value{Table: regmap.Holding, Address: 0, Type: capture.Uint16, Bit: -1}
	samples := regmap.Value{Table: regmap.Holding, Address: 1, Type: capture.Uint16, Bit: -1}
	kind := map[int]capture.Type{4: capture.Int32, 8: capture.Int64}[c.SampleBytes]
	if kind == "" {
		kind = capture.Int16
	}
	m := &regmap.Map{Status: regmap.Status{State: &state}, Header: regmap.Header{Samples: &samples},
		Data:   regmap.Data{Layout: regmap.Block, Order: capture.ByChannel, Type: kind, Table: regmap.Holding},
		Limits: regmap.Limits{Registers: or(c.Registers, 125), Connections: max(4, c.Connections)}}
	for range recorder.MostChannels {
		m.Channels = append(m.Channels, regmap.Channel{Coding: capture.Coding{Type: kind, Scale: 1}})
	}
	return m
}

// codings are those of the first n channels. Where a channel can hold any of
// the map's signals it is taken as wide as the widest.
func codings(m *regmap.Map, n int) []capture.Coding {
	widest := capture.Coding{Type: m.Data.Type, Scale: 1}
	for _, s := range m.Signals {
		if s.Type.Words() > widest.Type.Words() {
			widest = s.Coding
		}
	}
	out := make([]capture.Coding, 0, n)
	for _, ch := range m.Channels[:n] {
		if ch.Select != nil {
			out = append(out, widest)
		} else {
			out = append(out, ch.Coding)
		}
	}
	return out
}

// What keeps a plan from taking the computer's memory, or minutes: far above any recorder.
const (
	mostRegisters = 8 << 20
	mostRequests  = 1 << 14
)

// readable tells whether Modbus, the map and this program can deal with a
// recording as large as the recorder's memory.
func readable(m *regmap.Map, a recorder.Ask) error {
	if a.Channels < 1 || a.Channels > len(m.Channels) {
		return nil // recorder.Make says so
	}
	samples := int64(a.Memory.Samples(a.Channels))
	words := samples * widthOf(m, a.Channels)
	each := int64(max(1, m.Limits.Registers))
	if m.Data.Layout == regmap.Window {
		each = min(each, int64(max(1, m.Data.Length)))
	}
	if words > mostRegisters || words/each > mostRequests {
		return usageError{fmt.Errorf("--samples, --memory or --bytes make a recording of %d registers in %d requests; faultkeep plans for at most %d and %d",
			words, words/each, mostRegisters, mostRequests)}
	}
	if m.Name == "" || m.Data.Layout != regmap.Block {
		return nil
	}
	end := int64(m.Data.Address) + words
	if m.Data.Stride > 0 {
		end = int64(m.Data.Address) + int64(a.Channels-1)*int64(m.Data.Stride) + samples*widthOf(m, 1)
		if most := int64(m.Data.Stride); samples*widthOf(m, 1) > most {
			return usageError{fmt.Errorf("--samples, --memory or --bytes make %d samples a channel; map %s leaves room for %d (data.stride)", samples, m.Name, most/widthOf(m, 1))}
		}
	}
	if end > 65536 {
		return usageError{fmt.Errorf("--samples, --memory or --bytes make a recording that would end at register %d; by map %s it begins at %d, and 65535 is the last that there is", end-1, m.Name, m.Data.Address)}
	}
	return nil
}

// widthOf is how many registers one sample of each of the first n channels takes.
func widthOf(m *regmap.Map, n int) (words int64) {
	for _, c := range codings(m, n) {
		words += int64(c.Type.Words())
	}
	return words
}

// How often a pull looks whether the recording is still there, as the watch
// forecasts it: after so many requests, then so many times more, up to a most.
const (
	firstCheck  = 16
	checkGrowth = 4
	mostToCheck = 256
)

// pullRequests is how many requests the pull of a recording takes: the header,
// the data with its page turns, and the checks. It counts what the watch sends,
// request by request; the tests hold it to the watch's own forecast and to
// what a simulated drive counts.
func pullRequests(m *regmap.Map, channels, samples int) int {
	tiles := m.Tiles(capture.Encoding{Order: m.Data.Order, Channels: codings(m, channels), Samples: samples}, samples/2)
	status := regmap.Plan(m.StatusValues(), m.Limits)
	check := len(regmap.Plan(append(m.StatusValues(), m.IdentityValues()...), m.Limits))
	n := len(regmap.Plan(m.HeaderValues(), m.Limits)) + len(status) + check + len(tiles)
	page := -1
	for _, t := range tiles {
		if m.Data.Layout == regmap.Window && t.Page != page {
			page = t.Page
			n++ // the page select
			if !comesWithPage(m, t.Read) {
				n++ // a look whether it shows
			}
		}
	}
	step := firstCheck
	for left := len(tiles) - step; left > 0; left -= step {
		step = min(step*checkGrowth, mostToCheck)
		n += check
	}
	return n
}

// comesWithPage tells whether one request can read a tile together with the
// register that says which page shows.
func comesWithPage(m *regmap.Map, tile regmap.Read) bool {
	shows := m.Data.Page
	if m.Data.Shows != nil {
		shows = *m.Data.Shows
	}
	if shows.Table != tile.Table {
		return false
	}
	first, last := int(shows.Address), shows.End()
	gap := max(int(tile.Address)-last, first-tile.End())
	whole := max(last, tile.End()) - min(first, int(tile.Address))
	return gap >= 0 && gap <= m.Limits.Bridge && whole <= m.Limits.Registers
}
