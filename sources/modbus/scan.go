package modbus

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"faultkeep/sources/modbus/link"
	"faultkeep/sources/modbus/regmap"
	"faultkeep/store/capture"
)

// Scanned is one mapped value as a drive showed it.
type Scanned struct {
	Section string   `json:"section"` // of the map
	Name    string   `json:"name"`
	Where   string   `json:"where"`           // "holding 126"
	Type    string   `json:"type"`            // as the map gives it; "bit" of a coil or discrete input
	Raw     string   `json:"raw"`             // registers in hex as they came, or bits
	Number  *float64 `json:"number"`          // after scale and offset; null where it can't be read, or is no number
	Text    string   `json:"text"`            // in words, or with its unit
	Error   string   `json:"error,omitempty"` // why it can't be read
}

// place is a value to scan.
type scanPlace struct {
	section string
	value   regmap.Value
	wanted  string
}

// scanPlaces are all values that the map names, in its order.
func scanPlaces(m *regmap.Map) (out []scanPlace) {
	add := func(section string, values ...regmap.Value) {
		for _, v := range values {
			out = append(out, scanPlace{section: section, value: v})
		}
	}
	one := func(section, name string, v *regmap.Value) {
		if v != nil {
			named := *v
			named.Name = name
			add(section, named)
		}
	}
	s := m.Status
	one("status", "fault", s.Fault)
	one("status", "fault_code", s.FaultCode)
	one("status", "warning", s.Warning)
	one("status", "state", s.State)
	one("status", "hours", s.Hours)
	one("status", "fault_count", s.FaultCount)
	add("live", m.Live...)
	add("identity", m.Identity...)
	h := m.Header
	one("header", "channel_count", h.ChannelCount)
	one("header", "samples", h.Samples)
	one("header", "interval", h.Interval)
	one("header", "trigger", h.Trigger)
	for i, v := range h.Time {
		if v.Name == "" {
			v.Name = "time " + strconv.Itoa(i+1)
		}
		add("header", v)
	}
	for i, ch := range m.Channels {
		one("channels", "signal of slot "+strconv.Itoa(i+1), ch.Select)
	}
	if m.Checksum != nil {
		one("checksum", string(m.Checksum.Kind), &m.Checksum.Value)
	}
	for _, e := range m.Expect {
		out = append(out, scanPlace{"expect", e.Value, e.Wanted()})
	}
	for _, set := range m.Settings {
		for i := range set.Words {
			v := regmap.Value{Name: set.Name, Table: set.Table, Address: set.Address + uint16(i), Type: capture.Uint16, Bit: -1, Scale: 1}
			out = append(out, scanPlace{"settings", v, strconv.Itoa(int(set.Words[i]))})
		}
	}
	one("data", "page", pageOf(m))
	one("data", "shows", m.Data.Shows)
	return out
}

func pageOf(m *regmap.Map) *regmap.Value {
	if m.Data.Layout != regmap.Window {
		return nil
	}
	return &m.Data.Page
}

// Scanner reads all that a map names, a value a request and one request after
// the other, with the map's gap between them. Its connection can't write.
type Scanner struct {
	endpoint *link.Endpoint
	unit     uint8
	places   []scanPlace
}

// NewScanner makes one for the drive at host:port. Nothing is sent yet.
func NewScanner(address string, unit uint8, m *regmap.Map, timeout time.Duration) *Scanner {
	return &Scanner{endpoint: link.NewEndpoint(address, link.ReadOnly(link.DialTCP(address, timeout)), 1, m.Limits.Gap), unit: unit, places: scanPlaces(m)}
}

// Close ends the connection.
func (s *Scanner) Close() error { return s.endpoint.Close() }

// deaf is after how many values without any answer a scan ends.
const deaf = 3

// Scan reads every value once. That the drive refuses one is told at it; the
// error is of a drive that doesn't answer, or of ctx.
func (s *Scanner) Scan(ctx context.Context) ([]Scanned, error) {
	out := make([]Scanned, 0, len(s.places))
	silent := 0
	for _, p := range s.places {
		got, err := s.read(ctx, p)
		if ctx.Err() != nil {
			return out, ctx.Err()
		}
		var refused link.Exception
		if silent++; err == nil || errors.As(err, &refused) {
			silent = 0
		}
		if silent == deaf || silent > 0 && len(out) == 0 {
			return out, err
		}
		out = append(out, got)
	}
	return out, nil
}

func (s *Scanner) read(ctx context.Context, p scanPlace) (Scanned, error) {
	v := p.value
	got := Scanned{Section: p.section, Name: v.Name, Where: v.Place(), Type: string(v.Type)}
	if v.Table.Bits() {
		got.Type = "bit"
	} else if v.Bit >= 0 {
		got.Type += " bit " + strconv.Itoa(v.Bit)
	}
	b, err := s.endpoint.Read(ctx, s.unit, regmap.Read{Table: v.Table, Address: v.Address, Count: uint16(v.Words())})
	if err != nil {
		got.Error = err.Error()
		var refused link.Exception
		if errors.As(err, &refused) { // where it was is told already
			got.Error = refused.Error()
		}
		return got, err
	}
	if v.Table.Bits() {
		got.Raw = strconv.Itoa(int(b[0] & 1))
	} else {
		for i := 0; i+1 < len(b); i += 2 {
			got.Raw += fmt.Sprintf(" %02X%02X", b[i], b[i+1])
		}
		got.Raw = got.Raw[1:]
	}
	r := v.Decode(b)
	if n := r.Number; n-n == 0 { // JSON has no number that isn't one
		got.Number = &n
	}
	got.Text = r.Text
	if p.wanted != "" {
		got.Text += ", wanted " + p.wanted
	}
	return got, nil
}
