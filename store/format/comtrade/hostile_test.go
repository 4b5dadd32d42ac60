package comtrade_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"

	"faultkeep/store/format"
	"faultkeep/store/format/comtrade"
)

// Files that lie about themselves get a clear error, and no more memory than
// a small multiple of their own size.
func TestHostileFiles(t *testing.T) {
	good := cfg1999("ASCII")
	swap := func(old, new string) string { return strings.Replace(good, old, new, 1) }
	long := strings.Repeat("9", 100<<20)
	many := func(channels int) string {
		var b strings.Builder
		fmt.Fprintf(&b, "Northquay,Fan,1999\r\n%d,%dA,0D\r\n", channels, channels)
		for i := range channels {
			fmt.Fprintf(&b, "%d,c,,,A,1,0,0,0,0,1,1,P\r\n", i+1)
		}
		b.WriteString("50\r\n1\r\n1000,100000\r\n25/11/2026,03:12:07.0\r\n25/11/2026,03:12:07.0\r\nASCII\r\n1\r\n")
		return b.String()
	}
	bits := func(samples int) string {
		return fmt.Sprintf("Northquay,Fan,1999\r\n16,0A,16D\r\n%s50\r\n1\r\n1000,%d\r\n25/11/2026,03:12:07.0\r\n25/11/2026,03:12:07.0\r\nBINARY\r\n1\r\n",
			strings.Repeat("1,bit,,,0\r\n", 16), samples)
	}
	for _, c := range []struct {
		name     string
		cfg, dat string
		says     string
	}{
		{"10^9 channels", swap("5,2A,3D", "1000000003,1000000000A,3D"), text1999, "announces 1000000000 analog and 3 status channels"},
		{"999999 channels", swap("5,2A,3D", "1000002,999999A,3D"), text1999, "has 5 fields, an analog channel has 13"},
		{"channels beyond int64", swap("5,2A,3D", "5,99999999999999999999A,3D"), text1999, "which is too large"},
		{"negative channels", swap("5,2A,3D", "5,-2A,3D"), text1999, "where a count belongs"},
		{"samples beyond int64", swap("1000,4", "1000,99999999999999999999"), text1999, "which is too large"},
		{"2^31-1 samples", swap("1000,4", "1000,2147483647"), text1999, "holds 4 of 2147483647 samples"},
		{"10^9 rates", swap("\r\n1\r\n1000,4", "\r\n1000000000\r\n1000,4"), text1999, "where a sampling rate belongs"},
		{"a rate of nothing", swap("1000,4", "-1000,4"), text1999, "where a sampling rate belongs"},
		{"a rate that isn't finite", swap("1000,4", "NaN,4"), text1999, "where a sampling rate belongs"},
		{"a rate whose inverse isn't finite", swap("1000,4", "4e-320,4"), text1999, "where a sampling rate belongs"},
		{"rates out of order", swap("\r\n1\r\n1000,4", "\r\n2\r\n1000,4\r\n1000,3"), text1999, "after one up to sample 4"},
		{"a factor that isn't finite", swap("0.1,0,0", "1e999,0,0"), text1999, "where the factor a belongs"},
		{"decimal commas", swap("0.1,0,0", "0,1,0,0"), text1999, "has 14 fields, an analog channel has 13"},
		{"a line of 100 MB", swap("Northquay", long), text1999, "more than any configuration"},
		{"a line of 1 MB", swap("Northquay", long[:1<<20]), text1999, "more than any line of a configuration"},
		{"a number of 100 MB", good, "1,0," + long + strings.Replace(text1999, "1,0", "", 1), "where a number belongs"},
		{"100 MB of fields", good, strings.Repeat(",", 100<<20) + "\r\n", "holds 1 of 4 samples"},
		{"too many fields", good, strings.Replace(text1999, "1,0,", "1,0,0,0,0,0,", 1), "has more fields than the 7 of a sample"},
		{"words for numbers", good, strings.Replace(text1999, ",2,2,", ",x,2,", 1), `line 2: has "x" where a number belongs`},
		{"empty rows for 1000 channels", many(1000), strings.Repeat("1\n", 100_000), "too few for 100000 samples of 1000 channels"},
		{"empty rows for 50,000 channels", many(50_000), strings.Repeat("1\n", 100_000), "more than faultkeep reads"},
		{"bits that take 64 times their size", bits(9 << 20), strings.Repeat("\x00", 10*9<<20), "more than faultkeep reads"},
		{"no known type", strings.Replace(good, "ASCII", "BINARY64", 1), text1999, "it should be ASCII, BINARY, BINARY32 or FLOAT32"},
		{"a stamp that goes back", timed("1999", "0", "0,3", "25/11/2026,03:12:07.0", "25/11/2026,03:12:07.0", "ASCII", "1"),
			"1,0,1\r\n2,5000,1\r\n3,1000,1\r\n", "time stamps that don't go on at sample 3"},
		{"stamps that stand still", timed("1999", "0", "0,3", "25/11/2026,03:12:07.0", "25/11/2026,03:12:07.0", "ASCII", "1"),
			"1,0,1\r\n2,0,1\r\n3,0,1\r\n", "time stamps that don't go on"},
		{"a stamp beyond counting", good, strings.Replace(text1999, "4,3000", "4,3e300", 1), "which no recorder counts to"},
		{"zeros", strings.Repeat("\x00", 1<<20), "", "ends before the line with the station"},
	} {
		t.Run(c.name, func(t *testing.T) {
			files := pair(c.cfg, c.dat)
			took := allocates(func() {
				_, err := comtrade.Decoder{}.Decode(context.Background(), files, format.Options{})
				var known *format.Error
				if !errors.As(err, &known) || !strings.Contains(err.Error(), c.says) || len(err.Error()) > 300 {
					t.Errorf("says %v, want %q", err, c.says)
				}
			})
			if limit := uint64(1<<20 + 64*min(len(c.cfg), 4<<20)); took > limit {
				t.Errorf("takes %d bytes for files of %d and %d", took, len(c.cfg), len(c.dat))
			}
		})
	}
}

// allocates is how many bytes f takes altogether, given back or not.
func allocates(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

func TestHostileSingleFiles(t *testing.T) {
	head := "--- file type: CFG ---\r\n" + timed("2013", "1", "1000,1", "25/11/2026,03:12:07.0", "25/11/2026,03:12:07.0", "BINARY", "1")
	for name, c := range map[string]struct {
		cff, says  string
		incomplete bool
	}{
		"empty":                {"", "has no section CFG", true},
		"no samples":           {head, "has no section DAT", true},
		"size beyond int64":    {head + "--- file type: DAT BINARY: 99999999999999999999 ---\r\n", "which is too large", false},
		"size beyond the file": {head + "--- file type: DAT BINARY: 9223372036854775807 ---\r\n1234567890", "announces 9223372036854775807 bytes of samples and is followed by 10", true},
		"no configuration":     {"--- file type: DAT BINARY: 10 ---\r\n1234567890", "has no section CFG", true},
	} {
		_, err := comtrade.Decoder{}.Decode(context.Background(), []format.File{{Name: "trip.cff", Bytes: []byte(c.cff)}}, format.Options{})
		if err == nil || !strings.Contains(err.Error(), c.says) || errors.Is(err, format.ErrIncomplete) != c.incomplete {
			t.Errorf("%s: %v, want %q", name, err, c.says)
		}
	}
}

// Irregular stamps cost no more stretches than a page can draw, and samples
// stay near their stamps.
func TestIrregularStamps(t *testing.T) {
	const n = 50_000
	var dat strings.Builder
	stamps := make([]float64, n)
	dice, at := rand.New(rand.NewPCG(1, 2)), 0
	for i := range n {
		fmt.Fprintf(&dat, "%d,%d,0\r\n", i+1, at)
		stamps[i] = float64(at) * 1e-6
		at += 500 + dice.IntN(1000)
	}
	r := one(t, pair(timed("1999", "0", fmt.Sprintf("0,%d", n), "25/11/2026,03:12:07.0", "25/11/2026,03:12:07.0", "ASCII", "1"), dat.String()))
	if len(r.Timing.Rates) > 4096 || len(r.Timing.Rates) < 100 {
		t.Errorf("%d stretches", len(r.Timing.Rates))
	}
	worst := 0.0
	for i := range n {
		worst = max(worst, r.Timing.Between(0, i)-stamps[i], stamps[i]-r.Timing.Between(0, i))
	}
	if worst > 0.01 {
		t.Errorf("a sample lies %g s beside its stamp", worst)
	}
	if len(r.Warnings) == 0 || !strings.Contains(strings.Join(r.Warnings, " "), "sampled so irregularly") {
		t.Errorf("warns %q", r.Warnings)
	}
}

func TestStopsWhenTold(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	for _, files := range [][]format.File{pair(cfg1999("ASCII"), text1999), pair(cfg1999("BINARY"), strings.Repeat("\x00", 4*14))} {
		if _, err := (comtrade.Decoder{}).Decode(ctx, files, format.Options{}); !errors.Is(err, context.Canceled) {
			t.Errorf("%v", err)
		}
	}
}

// FuzzDecode gives any bytes as each kind of file. What is read must be sound.
func FuzzDecode(f *testing.F) {
	for _, kind := range []string{"ASCII", "BINARY", "BINARY32", "FLOAT32"} {
		f.Add([]byte(cfg2013(kind, "-5h30,0", "4,0")), bytes.Repeat([]byte{1, 0}, 40), false)
	}
	f.Add([]byte(cfg1999("ASCII")), []byte(text1999), false)
	f.Add([]byte(timed("1999", "0", "0,3", "25/11/26,03:12:07", "11-25-2026 03:12:07", "ascii")), []byte("1;0;1\n2;;1\n3;1000;nan"), false)
	f.Add([]byte("--- file type: CFG ---\r\n"+cfg2013("ASCII", "0,x", "F,3")+"--- file type: INF ---\r\nFault=1\r\n--- file type: DAT ASCII ---\r\n"+text1999), []byte{}, true)
	f.Fuzz(func(t *testing.T, cfg, dat []byte, single bool) {
		files := []format.File{{Name: "a.cfg", Bytes: cfg}, {Name: "a.dat", Bytes: dat}, {Name: "a.inf", Bytes: dat}}
		if single {
			files = []format.File{{Name: "a.cff", Bytes: cfg}}
		}
		d := comtrade.Decoder{Side: comtrade.Primary}
		d.Sniff(files)
		records, err := d.Decode(context.Background(), files, format.Options{})
		if err != nil {
			var known *format.Error
			if !errors.As(err, &known) || len(known.Error()) > 600 {
				t.Fatalf("%T %v", err, err)
			}
			return
		}
		for _, r := range records {
			sound(t, r)
		}
	})
}

func sound(t *testing.T, r format.Record) {
	if len(r.Channels) == 0 || len(r.Channels) != len(r.Series) || r.Trigger < 0 || r.Trigger > r.Timing.Samples || r.Timing.Samples < 1 {
		t.Fatalf("%d channels, %d series, trigger %d of %d", len(r.Channels), len(r.Series), r.Trigger, r.Timing.Samples)
	}
	if !(r.Timing.Interval > 0) || !(r.Timing.Duration() > 0) {
		t.Fatalf("interval %g, duration %g", r.Timing.Interval, r.Timing.Duration())
	}
	end := 0
	for _, stretch := range r.Timing.Rates {
		if stretch.End <= end || !(stretch.Interval > 0) {
			t.Fatalf("stretches %v", r.Timing.Rates)
		}
		end = stretch.End
	}
	if len(r.Timing.Rates) > 0 && end != r.Timing.Samples {
		t.Fatalf("stretches up to %d of %d", end, r.Timing.Samples)
	}
	for i, s := range r.Series {
		if len(s) != r.Timing.Samples {
			t.Fatalf("channel %d has %d samples of %d", i, len(s), r.Timing.Samples)
		}
	}
}
