// Package comtrade reads and writes recordings in the common format for
// transient data exchange: IEEE Std C37.111-1991, -1999 and -2013, the last of
// which is IEC 60255-24:2013 as well.
//
// A recording is a set of files with one stem: .cfg describes it, .dat holds
// its samples, .hdr (free text) and .inf may say more; or one .cff holds all
// of these. Real files stray from the standard; what can be read without
// guessing at the samples is read, and every liberty taken is a warning.
package comtrade

import (
	"bytes"
	"context"
	"fmt"
	"path"
	"strings"

	"faultkeep/store/capture"
	"faultkeep/store/format"
)

// Edition is a year of the standard.
type Edition int

// The editions.
const (
	Edition1991 Edition = 1991
	Edition1999 Edition = 1999
	Edition2013 Edition = 2013
)

// Data is how a set's samples are written, by the name that a .cfg gives it.
type Data string

// The data file types. The last two came with the 2013 edition.
const (
	ASCII    Data = "ASCII"
	Binary   Data = "BINARY"   // 16-bit integers
	Binary32 Data = "BINARY32" // 32-bit integers
	Float32  Data = "FLOAT32"
)

// width is the size in bytes of one analog value, 0 for text.
func (d Data) width() int {
	switch d {
	case Binary:
		return 2
	case Binary32, Float32:
		return 4
	}
	return 0
}

// Side says on which side of an instrument transformer values are meant.
type Side string

// The sides.
const (
	AsWritten Side = "" // whatever the file holds; the fields of the record say which
	Primary   Side = "primary"
	Secondary Side = "secondary"
)

// Limits of what is read. They lie far above any drive's recording, and keep a
// file that lies about itself from taking the machine's memory.
const (
	maxText     = 4 << 20 // bytes of a .cfg
	maxLine     = 4 << 10 // bytes of one line of a .cfg
	maxNotes    = 1 << 20 // bytes of a .hdr or .inf
	maxChannels = 999_999 // of each kind, the standard's own limit
	maxValues   = 1 << 27 // samples × channels: 1 GiB decoded
)

// Decoder reads COMTRADE.
type Decoder struct {
	Side Side // to which analog values are converted, by the ratio that the .cfg gives
}

var _ format.Decoder = Decoder{}

// Name is "comtrade".
func (Decoder) Name() string { return "comtrade" }

// Sniff tells whether there is a .cfg or a .cff among the files that begins
// like one.
func (Decoder) Sniff(files []format.File) bool {
	for _, f := range files {
		head := f.Bytes[:min(len(f.Bytes), 2*maxLine)]
		switch strings.ToLower(path.Ext(f.Name)) {
		case ".cff":
			if _, ok := marker(firstLine(head)); ok {
				return true
			}
		case ".cfg":
			lines := newText(head)
			lines.next()
			second, ok := lines.next()
			if _, _, _, err := counts(string(second)); ok && err == nil {
				return true
			}
		}
	}
	return false
}

func firstLine(b []byte) []byte {
	line, _ := newText(bytes.TrimPrefix(b, mark)).next()
	return line
}

// Decode reads every set among the files, one record each, and fails on the
// first that can't be read. Files of other kinds are passed over, unless
// nothing else is there.
func (d Decoder) Decode(ctx context.Context, files []format.File, o format.Options) ([]format.Record, error) {
	names := make([]string, len(files))
	byName := map[string][]byte{}
	for i, f := range files {
		names[i] = f.Name
		byName[f.Name] = f.Bytes
	}
	sets := Sets(names)
	if len(sets) == 0 {
		return nil, &format.Error{File: strings.Join(names[:min(1, len(names))], ""), What: "belongs to no COMTRADE recording",
			Hint: "a recording is a .cfg with its .dat, or one .cff"}
	}
	var out []format.Record
	for _, s := range sets {
		r, err := d.set(ctx, s, byName, o)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// pieces are the four parts of a recording, wherever they came from.
type pieces struct {
	cfg, dat, hdr, inf part
	data               Data // by a .cff's separator; empty: not told
}

// part is one of them: a file, or a section of a .cff.
type part struct {
	name   string // of the file, as errors show it
	line   int    // how many lines of the file come before
	bytes  []byte
	there  bool
	inside bool // a section of a .cff
}

func (d Decoder) set(ctx context.Context, s Set, files map[string][]byte, o format.Options) (format.Record, error) {
	get := func(name string) part {
		return part{name: shown(name), bytes: files[name], there: name != ""}
	}
	if s.CFF != "" {
		n := &notes{}
		p, err := split(get(s.CFF), n)
		if err != nil {
			return format.Record{}, err
		}
		return d.record(ctx, p, n, o)
	}
	p := pieces{cfg: get(s.CFG), dat: get(s.DAT), hdr: get(s.HDR), inf: get(s.INF)}
	if missing := s.Missing(); missing != "" {
		return format.Record{}, &format.Error{File: shown(s.Names()[0]), What: fmt.Sprintf("has no %s file beside it", missing),
			Hint: "a recording is a .cfg with its .dat", Err: format.ErrIncomplete}
	}
	return d.record(ctx, p, &notes{}, o)
}

func (d Decoder) record(ctx context.Context, p pieces, n *notes, o format.Options) (format.Record, error) {
	c, err := parse(p.cfg, n)
	if err != nil {
		return format.Record{}, err
	}
	if p.data != "" && p.data != c.data {
		n.add("two types", "%s announces %s samples and its configuration %s, which was taken", p.dat.name, p.data, c.data)
	}
	c.to(d.Side, n)
	in := &input{cfg: c, part: p.dat, notes: n}
	series, err := in.read(ctx)
	if err != nil {
		return format.Record{}, err
	}
	timing, err := in.timing()
	if err != nil {
		return format.Record{}, err
	}
	c.skewed(timing, n)
	r := format.Record{Channels: c.channels(), Series: series, Timing: timing}
	r.Trigger, r.Time = c.when(timing, o.Zone, n)
	r.Fields = append(c.fields(), further(p, n)...)
	r.Warnings = n.sentences()
	return r, nil
}

// channels are the analog channels, then the status channels.
func (c *config) channels() []capture.Channel {
	out := make([]capture.Channel, 0, len(c.analog)+len(c.status))
	for _, a := range c.analog {
		out = append(out, capture.Channel{Name: a.name, Unit: a.unit, Role: capture.RoleOther})
	}
	for _, s := range c.status {
		out = append(out, capture.Channel{Name: s.name, Role: capture.RoleDigital, Bits: []string{s.name}})
	}
	return out
}
