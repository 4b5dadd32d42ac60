package comtrade_test

import (
	"context"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
)

func TestSets(t *testing.T) {
	for _, c := range []struct {
		name  string
		names []string
		want  []comtrade.Set
		ready []bool
	}{
		{"pairs among others", []string{"b.dat", "a.cfg", "notes.txt", "a.dat", "b.cfg", "b.hdr", "c.csv", ".cfg.swp", "cfg"},
			[]comtrade.Set{{CFG: "a.cfg", DAT: "a.dat"}, {CFG: "b.cfg", DAT: "b.dat", HDR: "b.hdr"}}, []bool{true, true}},
		{"any case", []string{"TRIP 1.CFG", "trip 1.dat", "Trip 1.Inf"},
			[]comtrade.Set{{CFG: "TRIP 1.CFG", DAT: "trip 1.dat", INF: "Trip 1.Inf"}}, []bool{true}},
		{"names that differ in case", []string{"a.cfg", "a.dat", "A.cfg", "A.dat"},
			[]comtrade.Set{{CFG: "A.cfg", DAT: "A.dat"}, {CFG: "a.cfg", DAT: "a.dat"}}, []bool{true, true}},
		{"waiting", []string{"a.dat", "b.cfg", "c.hdr"},
			[]comtrade.Set{{DAT: "a.dat"}, {CFG: "b.cfg"}, {HDR: "c.hdr"}}, []bool{false, false, false}},
		{"single files stand alone", []string{"a.CFF", "a.cfg", "a.dat"},
			[]comtrade.Set{{CFF: "a.CFF"}, {CFG: "a.cfg", DAT: "a.dat"}}, []bool{true, true}},
		{"two of a kind", []string{"a.cfg", "a.CFG", "a.dat"},
			[]comtrade.Set{{CFG: "a.CFG", DAT: "a.dat"}, {CFG: "a.cfg"}}, []bool{true, false}},
		{"no valid UTF-8, dots", []string{"F\xf6rderer.1.cfg", "F\xf6rderer.1.dat", "F\xf6rderer.2.dat"},
			[]comtrade.Set{{CFG: "F\xf6rderer.1.cfg", DAT: "F\xf6rderer.1.dat"}, {DAT: "F\xf6rderer.2.dat"}}, []bool{true, false}},
		{"none", []string{"a.txt"}, []comtrade.Set{}, nil},
	} {
		got := comtrade.Sets(c.names)
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s: %s", c.name, d)
			continue
		}
		for i, s := range got {
			if s.Complete() != c.ready[i] {
				t.Errorf("%s: %v complete %v", c.name, s.Names(), s.Complete())
			}
		}
	}
}

// One call decodes every set, and waits for what is missing.
func TestDecodesEverySet(t *testing.T) {
	files := append(pair(cfg1999("ASCII"), text1999), format.File{Name: "B.CFG", Bytes: []byte(cfg1999("ASCII"))}, format.File{Name: "b.dat", Bytes: []byte(text1999)},
		format.File{Name: "read me.txt"})
	records, err := comtrade.Decoder{}.Decode(context.Background(), files, format.Options{})
	if err != nil || len(records) != 2 {
		t.Errorf("%d records, %v", len(records), err)
	}
	_, err = comtrade.Decoder{}.Decode(context.Background(), files[:1], format.Options{})
	if !errors.Is(err, format.ErrIncomplete) || err.Error() != "trip.cfg: has no .dat file beside it; a recording is a .cfg with its .dat" {
		t.Errorf("%v", err)
	}
	_, err = comtrade.Decoder{}.Decode(context.Background(), files[4:], format.Options{})
	if err == nil || errors.Is(err, format.ErrIncomplete) {
		t.Errorf("%v", err)
	}
	if _, err = (comtrade.Decoder{}).Decode(context.Background(), nil, format.Options{}); err == nil {
		t.Error("nothing decodes")
	}
}

func TestSniff(t *testing.T) {
	cff := "\uFEFF--- FILE TYPE: cfg ---\nNorthquay"
	for _, c := range []struct {
		name, bytes string
		want        bool
	}{
		{"a.cfg", cfg1999("ASCII"), true}, {"a.CFG", "x,y\n 2 , 1a, 1d\n", true}, {"a.cfg", "[settings]\nspeed=1\n", false}, {"a.cfg", "", false},
		{"a.dat", text1999, false}, {"a.cff", cff, true}, {"a.cff", "anything", false}, {"a.txt", cff, false},
	} {
		if got := (comtrade.Decoder{}).Sniff([]format.File{{Name: "other.hdr"}, {Name: c.name, Bytes: []byte(c.bytes)}}); got != c.want {
			t.Errorf("%s %q: %v", c.name, c.bytes, got)
		}
	}
}
