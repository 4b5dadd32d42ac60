package comtrade_test

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
)

// Liberties that files take in common practice (no source): each is read, and
// each is told in a sentence.
func TestLibertiesAreReadAndTold(t *testing.T) {
	swap := func(old, new string) func(cfg, dat string) (string, string) {
		return func(cfg, dat string) (string, string) { return strings.Replace(cfg, old, new, 1), dat }
	}
	swapData := func(old, new string) func(cfg, dat string) (string, string) {
		return func(cfg, dat string) (string, string) { return cfg, strings.Replace(dat, old, new, 1) }
	}
	for _, c := range []struct {
		name   string
		change func(cfg, dat string) (string, string)
		warns  string // the one warning
		check  func(r format.Record) bool
	}{
		{"LF", func(cfg, dat string) (string, string) { return strings.ReplaceAll(cfg, "\r\n", "\n"), dat },
			"trip.cfg ends lines in LF alone where the standard wants CR and LF.", nil},
		{"CR", func(cfg, dat string) (string, string) { return strings.ReplaceAll(cfg, "\r\n", "\r"), dat },
			"trip.cfg ends lines in CR alone where the standard wants CR and LF.", nil},
		{"LF in the data", func(cfg, dat string) (string, string) { return cfg, strings.ReplaceAll(dat, "\r\n", "\n") },
			"trip.dat ends lines in LF alone where the standard wants CR and LF.", nil},
		{"byte order mark", swap("Northquay", "\uFEFFNorthquay"), "trip.cfg begins with a byte order mark, which was passed over.",
			func(r format.Record) bool { return r.Field("station") == "Northquay" }},
		{"ISO 8859-1", swap("Bucket elevator", "F\xf6rderer"), "trip.cfg isn't UTF-8; its names were read as ISO 8859-1.",
			func(r format.Record) bool { return r.Field("device") == "Förderer" }},
		{"UTF-8", swap("Bucket elevator", "Förderer"), "", func(r format.Record) bool { return r.Field("device") == "Förderer" }},
		{"blanks", swap("1,speed,,,rpm,0.1", " 1 , speed , , , rpm , 0.1 "), "", func(r format.Record) bool { return r.Channels[0].Unit == "rpm" }},
		{"lower case", swap("ASCII", "ascii"), `trip.cfg line 13 writes the file type as "ascii", not ASCII.`, nil},
		{"no multiplier", func(cfg, dat string) (string, string) { return strings.TrimSuffix(cfg, "1\r\n"), dat },
			"trip.cfg lacks the line with the time stamps' multiplier; 1 was taken.", nil},
		{"blank lines at the end", func(cfg, dat string) (string, string) { return cfg + "\r\n\r\n", dat },
			"trip.cfg has blank lines at its end.", nil},
		{"no line end at the end", func(cfg, dat string) (string, string) { return strings.TrimSuffix(cfg, "\r\n"), dat }, "", nil},
		{"short analog line", swap(",1,1,P", ""), "trip.cfg line 3 has 10 fields, an analog channel has 13; a ratio of 1 was taken for what is missing.", nil},
		{"short status line", swap("3,brake,,,0", "3,brake"), "trip.cfg line 7 has 2 fields, a status channel has 5.", nil},
		{"trailing comma", swap(",1,1,P", ",1,1,P,"), "trip.cfg line 3 ends with a comma too many.", nil},
		{"comma in a name", swap("1,speed", "1,speed, motor"), `trip.cfg line 3 has a comma in the channel's name "speed, motor".`,
			func(r format.Record) bool { return r.Channels[0].Name == "speed, motor" && r.Channels[0].Unit == "rpm" }},
		{"comma in the station", swap("Northquay", "Northquay,berth 2"), "trip.cfg line 1 has a comma in the station's name.",
			func(r format.Record) bool {
				return r.Field("station") == "Northquay, berth 2" && r.Field("device") == "Bucket elevator"
			}},
		{"no year", swap("elevator,1999", "elevator"),
			"trip.cfg names no edition, but its channels are described as since 1999; dates were read as day/month/year.", nil},
		{"edition 2001", swap(",1999", ",2001"), "trip.cfg line 1 names the edition 2001; it was read as 1999.", nil},
		{"month first", swap("25/11/2026,03:12:07.412", "11/25/2026,03:12:07.412"),
			`trip.cfg line 12 has the date "11/25/2026,03:12:07.412000", whose day and month were exchanged.`, nil},
		{"wrong total", swap("5,2A", "6,2A"), "trip.cfg line 2 says 6 channels, but 2 analog and 3 status ones.", nil},
		{"wrong number", swap("2,current", "7,current"), `trip.cfg line 4 calls itself channel "7", its place makes it 2.`, nil},
		{"no name", swap("2,current", "2,"), `trip.cfg line 4 names no channel; it is called "analog 2".`, nil},
		{"no frequency", swap("\r\n50\r\n", "\r\n\r\n"), "", func(r format.Record) bool { return r.Field("line frequency") == "" }},
		{"words for the frequency", swap("\r\n50\r\n", "\r\nn/a\r\n"), `trip.cfg line 8 has "n/a" where the line frequency belongs.`, nil},
		{"no trigger time", swap("25/11/2026,03:12:07.412000", ","), "", func(r format.Record) bool {
			return r.Trigger == 0 && r.Time.Equal(time.Date(2026, 11, 25, 3, 12, 7, 410e6, time.UTC)) && len(r.Warnings) == 2
		}},
		{"trigger outside", swap("03:12:07.412", "03:12:09.412"), "trip.cfg has its trigger 2.002 s after the first sample, outside the record of 0.004 s.",
			func(r format.Record) bool { return r.Trigger == 4 }},
		{"skew", swap("12.5", "800"), `trip.cfg gives channel "current" a skew of 800 µs, more than half a sample interval; it is shown without that shift.`, nil},
		{"stamps in another unit", swapData("4,3000", "4,3"), "trip.dat has time stamps over 3e-06 s where its sampling rates make it 0.003 s; the rates were taken.", nil},
		{"no end of file", swapData("\x1a", ""), "trip.dat lacks the end-of-file mark.", nil},
		{"surplus samples", swapData("\x1a", "5,4000,1,1,0,0,0\r\n\x1a"), "trip.dat goes on for 1 line after its last sample, passed over.", nil},
		{"blank rows", swapData("\r\n2,", "\r\n\r\n2,"), "trip.dat has blank lines, the first at line 2.", nil},
		{"trailing separator", swapData(",0,0\r\n", ",0,0,\r\n"), "trip.dat line 1 ends with a separator too many.", nil},
		{"a row too short", swapData("2,1000,2,2,1,0,1", "2,1000,2"), "trip.dat line 2 has 1 of 5 channels; the others are missing there.",
			func(r format.Record) bool { return r.Series[0][1] == 0.2 && r.Series[1][1] != r.Series[1][1] }},
		{"semicolons", func(cfg, dat string) (string, string) { return cfg, strings.ReplaceAll(dat, ",", ";") },
			"trip.dat separates its fields by ';' where the standard wants commas.", nil},
		{"blanks for commas", func(cfg, dat string) (string, string) { return cfg, strings.ReplaceAll(dat, ",", "  ") },
			"trip.dat separates its fields by ' ' where the standard wants commas.", nil},
		{"a jump in the numbers", swapData("\r\n3,", "\r\n13,"), "trip.dat calls sample 3 number 13; samples were counted by their place.", nil},
		{"blanks in the data", swapData("2,1000,2,2,1", " 2 , 1000 ,  2 , 2 , 1"), "", nil},
		{"decimals in the data", swapData("2,1000,2,", "2,1000,2.5E0,"), "", func(r format.Record) bool { return r.Series[0][1] == 0.25 && len(r.Warnings) == 0 }},
		{"no number", swapData("2,1000,2,", "2,1000,NaN,"), `trip.dat line 2 has "NaN", which was read as missing.`, nil},
		{"an edition too early", swap(",1999", ",1987"), "", func(r format.Record) bool { return r.Field("edition") == "1991" && len(r.Warnings) > 0 }},
		{"an edition too late", swap(",1999", ",2031"), "", func(r format.Record) bool { return r.Field("edition") == "2013" && len(r.Warnings) == 2 }},
		{"no device", swap("Northquay,Bucket elevator,1999", "Northquay"), "", func(r format.Record) bool { return r.Field("station") == "Northquay" && len(r.Warnings) == 2 }},
		{"words for the skew", swap("-10,12.5", "-10,none"), `trip.cfg line 4 has "none" where the skew belongs; 0 was taken.`, nil},
		{"neither side", swap("100,5,S", "100,5,X"), `trip.cfg line 4 has "X" where P or S belongs.`, nil},
		{"words for the normal state", swap("1,running,,,1", "1,running,,,on"), `trip.cfg line 5 has "on" where a normal state of 0 or 1 belongs; 0 was taken.`, nil},
		{"words for the multiplier", swap("ASCII\r\n1", "ASCII\r\nx"), `trip.cfg line 14 has "x" where the time stamps' multiplier belongs; 1 was taken.`, nil},
		{"no lines of 2013", swap(",1999", ",2013"), "trip.cfg lacks the lines with time code and time quality; its times were read without a zone of its own.", nil},
		{"an odd time code", func(cfg, dat string) (string, string) {
			return strings.Replace(cfg, ",1999", ",2013", 1) + "CET,x\r\n7,3\r\n", dat
		}, `trip.cfg line 15 has the time code "CET", which tells no offset from UTC; times were read as in the site's zone.`,
			func(r format.Record) bool { return r.Time.Hour() == 3 && r.Field("time quality") == "within 1 ms" }},
		{"a line too many", func(cfg, dat string) (string, string) {
			return strings.Replace(cfg, ",1999", ",2013", 1) + "0,0\r\n0,0\r\nmore\r\n", dat
		}, "trip.cfg line 17 is one more than the standard has, and was passed over.", nil},
		{"a rate of 0", swap("1000,4", "0,4"), "trip.cfg line 10 gives a sampling rate of 0; the time stamps were taken instead.",
			func(r format.Record) bool { return math.Abs(r.Timing.Interval-0.001) < 1e-12 }},
		{"no number of samples", swap("\r\n1\r\n1000,4", "\r\n0"), "trip.cfg line 9 isn't followed by the line with the number of samples; they were counted.", nil},
		{"nanoseconds too early", swap("03:12:07.412000", "03:12:07.412000000"), "",
			func(r format.Record) bool {
				return strings.Contains(strings.Join(r.Warnings, " "), "came with the 2013 edition")
			}},
		{"no time at all", func(cfg, dat string) (string, string) {
			cfg = strings.Replace(cfg, "25/11/2026,03:12:07.410000", "", 1)
			return strings.Replace(cfg, "25/11/2026,03:12:07.412000", "31/02/2026,03:12:07", 1), dat
		}, "", func(r format.Record) bool { return r.Time.IsZero() && r.Trigger == 0 && len(r.Warnings) == 2 }},
		{"no first time", swap("25/11/2026,03:12:07.410000", "0/0/0,0:0:0"), "", func(r format.Record) bool {
			return r.Trigger == 0 && r.Time.Nanosecond() == 412e6 && len(r.Warnings) == 2
		}},
		{"year first", swap("25/11/2026,03:12:07.412000", "2026-11-25 03:12:07.412"), "", func(r format.Record) bool { return r.Trigger == 2 && r.Time.Day() == 25 }},
		{"status 2", swapData(",0,0\r\n", ",0,2\r\n"), `trip.dat line 1 has the status "2"; whatever isn't 0 was read as 1.`, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := one(t, pair(c.change(cfg1999("ASCII"), text1999)))
			if c.warns != "" && !slices.Equal(r.Warnings, []string{c.warns}) || c.warns == "" && c.check == nil && len(r.Warnings) > 0 {
				t.Errorf("warns %q, want %q", r.Warnings, c.warns)
			}
			if c.check != nil && !c.check(r) {
				t.Errorf("%+v", r)
			}
			if len(r.Series) != 5 || len(r.Series[0]) != 4 || r.Series[0][3] != 0.4 || r.Series[4][3] != 1 {
				t.Errorf("samples %v", r.Series)
			}
		})
	}
}

// Of many liberties of one kind the first is told, and how many there are.
func TestWarningsDontPileUp(t *testing.T) {
	r := one(t, pair(cfg1999("ASCII"), strings.ReplaceAll(text1999, "\r\n", ",\r\n")))
	if want := "trip.dat line 1 ends with a separator too many (and 3 more like it)."; !slices.Equal(r.Warnings, []string{want}) {
		t.Errorf("warns %q, want %q", r.Warnings, want)
	}
}

// Whatever is cut off anywhere is told from what is wrong: a watcher waits for
// it. Only the last fields of a .cfg may be missing.
func TestCutOffIsIncomplete(t *testing.T) {
	cfg, dat := cfg1999("BINARY"), string(make([]byte, 4*14))
	last := strings.Index(cfg, "BINARY") + len("BINARY")
	for n := range last + 1 {
		_, err := comtrade.Decoder{}.Decode(context.Background(), pair(cfg[:n], dat), format.Options{})
		if !errors.Is(err, format.ErrIncomplete) {
			t.Fatalf("cut after %q: %v", cfg[:n], err)
		}
	}
	for n := range dat {
		_, err := comtrade.Decoder{}.Decode(context.Background(), pair(cfg, dat[:n]), format.Options{})
		if !errors.Is(err, format.ErrIncomplete) {
			t.Fatalf("%d bytes of data: %v", n, err)
		}
	}
	for n := range len(text1999) - len("\r\n\x1a") - len("0,1,1") {
		_, err := comtrade.Decoder{}.Decode(context.Background(), pair(cfg1999("ASCII"), text1999[:n]), format.Options{})
		if !errors.Is(err, format.ErrIncomplete) {
			t.Fatalf("%q: %v", text1999[:n], err)
		}
	}
	cff := "--- file type: CFG ---\r\n" + cfg2013("BINARY", "0,0", "0,0") + "--- file type: INF ---\r\n--- file type: HDR ---\r\n--- file type: DAT BINARY: 56 ---\r\n" + dat
	for n := range cff {
		_, err := comtrade.Decoder{}.Decode(context.Background(), []format.File{{Name: "trip.cff", Bytes: []byte(cff[:n])}}, format.Options{})
		if !errors.Is(err, format.ErrIncomplete) {
			t.Fatalf("%q: %v", cff[:n], err)
		}
	}
	one(t, []format.File{{Name: "trip.cff", Bytes: []byte(cff)}})
}

// Liberties of single files (common practice, no source).
func TestLibertiesOfSingleFiles(t *testing.T) {
	dat := string(make([]byte, 4*14))
	cff := func(cfg, dat string) []format.File {
		return []format.File{{Name: "trip.cff", Bytes: []byte("--- file type: CFG ---\r\n" + cfg2013(cfg, "0,0", "0,0") + dat)}}
	}
	for _, c := range []struct {
		files []format.File
		warns string
	}{
		{cff("BINARY", "--- file type: DAT BINARY ---\r\n"+dat), "trip.cff line 18 doesn't tell the size of its binary data, which were taken to reach to the end"},
		{cff("BINARY", "--- file type: DAT BINARY32: 56 ---\r\n"+dat), "trip.cff announces BINARY32 samples and its configuration BINARY, which was taken"},
		{cff("BINARY", "---  FILE TYPE : XYZ ---\r\n?\r\n--- file type: dat binary: 56 ---\r\n"+dat), "trip.cff line 18 begins a section XYZ that was passed over"},
		{cff("BINARY", "--- file type: DAT BINARY: 56 ---\r\n"+dat+"\r\n--- file type: DAT ASCII ---\r\n"), "trip.cff line 20 begins a section DAT that was passed over"},
		{cff("ascii", "--- file type: DAT ASCII ---\r\n"+text1999), `trip.cff line 14 writes the file type as "ascii", not ASCII`},
	} {
		r := one(t, c.files)
		if len(r.Warnings) == 0 || !slices.Contains(r.Warnings, c.warns+".") || len(r.Series[0]) != 4 {
			t.Errorf("warns %q, want %q; %d samples", r.Warnings, c.warns, len(r.Series[0]))
		}
	}
}
