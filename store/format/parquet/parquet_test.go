package parquet_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"testing"

	reader "github.com/parquet-go/parquet-go"
	"pgregory.net/rapid"

	"faultkeep/store/capture"
	"faultkeep/store/format/parquet"
)

// What is written reads back by the library's own reader: columns in order,
// every value bit for bit, whatever the channels are called.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		samples := rapid.IntRange(0, 30).Draw(t, "samples")
		var channels []capture.Channel
		var series []capture.Series
		for range rapid.IntRange(0, 5).Draw(t, "channels") {
			channel := capture.Channel{Name: rapid.StringN(0, 70, -1).Draw(t, "name")}
			value := rapid.Map(rapid.Uint64(), math.Float64frombits)
			if rapid.Bool().Draw(t, "digital") {
				channel.Role, channel.Bits = capture.RoleDigital, rapid.SliceOfN(rapid.StringN(0, 5, -1), 0, 20).Draw(t, "bits")
				value = rapid.Map(rapid.Int64Range(-1<<31, 1<<33), func(n int64) float64 { return float64(n) })
			}
			channels = append(channels, channel)
			series = append(series, rapid.SliceOfN(value, samples, samples).Draw(t, "series"))
		}
		c, series := night(channels, series...)
		c.Timing.Samples = samples
		c.Trigger.Index = rapid.IntRange(0, samples).Draw(t, "trigger")
		hole := rapid.IntRange(0, 30).Draw(t, "hole")
		e := parquet.Encoder{Present: func(channel int) func(int) bool {
			return func(i int) bool { return i != (hole+channel)%30 }
		}}
		var b bytes.Buffer
		if err := e.Encode(context.Background(), func(string) (io.Writer, error) { return &b, nil }, c, series); err != nil {
			t.Fatal(err)
		}
		names, rows := back(t, b.Bytes())
		seen := map[string]bool{}
		for _, n := range names {
			key := strings.ToLower(n)
			if n == "" || seen[key] || strings.ContainsAny(n, " .,;{}()=\n\t\"'") {
				t.Fatalf("column %q of %q", n, names)
			}
			seen[key] = true
		}
		if len(rows) != samples {
			t.Fatalf("%d rows, want %d", len(rows), samples)
		}
		for i, row := range rows {
			if want := float64(i-c.Trigger.Index) / 1000; row[0].Double() != want {
				t.Fatalf("row %d is at %v s, want %v s", i, row[0], want)
			}
			row = row[1:]
			for k, s := range series {
				there := i != (hole+k)%30
				if !channels[k].Digital() {
					if v := row[0]; v.IsNull() == there || there && math.Float64bits(v.Double()) != math.Float64bits(s[i]) {
						t.Fatalf("channel %d sample %d is %v, was %v", k, i, v, s[i])
					}
					row = row[1:]
					continue
				}
				for _, bit := range digits(channels[k], s) {
					if v := row[0]; v.IsNull() == there || there && v.Boolean() != (int64(s[i])>>bit&1 == 1) {
						t.Fatalf("channel %d bit %d of sample %d is %v, the word was %x", k, bit, i, v, int64(s[i]))
					}
					row = row[1:]
				}
			}
			if len(row) > 0 {
				t.Fatalf("%d columns too many", len(row))
			}
		}
	})
}

// digits are the bits of a digital channel that become columns.
func digits(c capture.Channel, s capture.Series) (out []int) {
	for bit := range 64 {
		wanted := bit < len(c.Bits) && c.Bits[bit] != ""
		for _, v := range s {
			wanted = wanted || int64(v)>>bit&1 == 1
		}
		if wanted {
			out = append(out, bit)
		}
	}
	if out == nil {
		return []int{0}
	}
	return out
}

type failing interface{ Fatal(...any) }

// back reads a file's columns and rows.
func back(t failing, file []byte) (names []string, rows []reader.Row) {
	f, err := reader.OpenFile(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range f.Root().Columns() {
		names = append(names, c.Name())
	}
	for _, g := range f.RowGroups() {
		in := g.Rows()
		for {
			row := make([]reader.Row, 1)
			n, err := in.ReadRows(row)
			if n == 1 {
				rows = append(rows, row[0].Clone())
			}
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		if err := in.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return names, rows
}

// Which columns digital channels become, by hand.
func TestDigitalChannels(t *testing.T) {
	for name, one := range map[string]struct {
		kind  capture.Type
		bits  []string
		words capture.Series
		want  string
	}{
		"named bits and set ones":         {capture.Uint16, []string{"on", "", "brake"}, capture.Series{0, 1<<15 | 1}, "t w_on w_brake w_bit_15"},
		"nothing named, nothing set":      {capture.Uint16, nil, capture.Series{0, 0}, "t w_bit_0"},
		"a negative word has its width":   {capture.Int8, nil, capture.Series{-128, 0}, "t w_bit_7"},
		"and a wide one its":              {capture.Int32, nil, capture.Series{math.MinInt32, 1}, "t w_bit_0 w_bit_31"},
		"no word of bits: numbers stay":   {capture.Float32, []string{"on"}, capture.Series{0.5, 1}, "t w"},
		"an infinity is no word of bits":  {capture.Float32, []string{"on"}, capture.Series{inf, 1}, "t w"},
		"more than a float64 tells apart": {capture.Uint64, nil, capture.Series{1 << 60, 1}, "t w"},
		"as files give them":              {capture.Float32, []string{"on"}, capture.Series{nan, 3}, "t w_on w_bit_1"},
		"more names than bits":            {capture.Uint16, append(make([]string, 63), "last", "beyond"), capture.Series{0, 0}, "t w_last"},
	} {
		c, series := night([]capture.Channel{{Name: "w", Role: capture.RoleDigital, Bits: one.bits}}, one.words)
		c.Encoding.Channels = []capture.Coding{{Type: one.kind, Scale: 1}}
		names, rows := back(t, encoded(t, parquet.Encoder{}, c, series))
		if got := strings.Join(names, " "); got != one.want || len(rows) != 2 {
			t.Errorf("%s: columns %s, want %s; %d rows", name, got, one.want, len(rows))
		}
	}
}

// Nothing without samples or channels is an error, and without Present what
// isn't a number wasn't read.
func TestOddCaptures(t *testing.T) {
	for name, one := range map[string]struct {
		channels []capture.Channel
		series   []capture.Series
		columns  int
		nulls    int
	}{
		"no channels":             {nil, nil, 1, 0},
		"no samples":              {[]capture.Channel{{Name: "a"}}, []capture.Series{{}}, 2, 0},
		"one sample, one missing": {[]capture.Channel{{Name: "a"}, {Name: "b"}}, []capture.Series{{1}, {nan}}, 3, 1},
	} {
		c, series := night(one.channels, one.series...)
		names, rows := back(t, encoded(t, parquet.Encoder{}, c, series))
		nulls := 0
		for _, r := range rows {
			for _, v := range r {
				if v.IsNull() {
					nulls++
				}
			}
		}
		if len(names) != one.columns || len(rows) != c.Timing.Samples || nulls != one.nulls {
			t.Errorf("%s: columns %v, rows %v", name, names, rows)
		}
	}
}

// What isn't known has no key, and a code is shown as a number where the drive
// shows it in no other way.
func TestFactsNotKnown(t *testing.T) {
	file := encoded(t, parquet.Encoder{}, capture.Capture{Fault: capture.Fault{Code: 7}}, nil)
	f, err := reader.OpenFile(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, kv := range f.Metadata().KeyValueMetadata {
		got[strings.TrimPrefix(kv.Key, "faultkeep.")] = kv.Value
	}
	if want := map[string]string{"version": "1", "fault_code": "7", "fault": "Unknown fault (7)", "trigger_index": "0", "interval_s": "0",
		"whole": "false", "wholeness": "partial, without the trigger", "columns": "[]"}; !maps.Equal(got, want) {
		t.Errorf("facts %v, want %v", got, want)
	}
}

// The same capture gives the same bytes.
func TestSameBytes(t *testing.T) {
	c, series := storm(1000)
	first := encoded(t, parquet.Encoder{}, c, series)
	for range 5 {
		if !bytes.Equal(first, encoded(t, parquet.Encoder{}, c, series)) {
			t.Fatal("other bytes")
		}
	}
}

// What can't be written is told before anything is, and what fails later too.
func TestRefuses(t *testing.T) {
	c, series := storm(10)
	many := make([]capture.Channel, 10_000)
	wide, none := night(many)
	for range many {
		none = append(none, nil)
	}
	short := append([]capture.Series{}, series...)
	short[1] = short[1][:9]
	untold := func(string) (io.Writer, error) { t.Error("a file was made"); return io.Discard, nil }
	for want, one := range map[string]struct {
		c capture.Capture
		s []capture.Series
	}{
		"4 channels, but there are samples of 3":               {c, series[:3]},
		"channel torque has 9 samples, the capture 10":         {c, short},
		"becomes 10001 columns, Parquet is written with 10000": {wide, none},
	} {
		if err := (parquet.Encoder{}).Encode(context.Background(), untold, one.c, one.s); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	stopped, stop := context.WithCancel(context.Background())
	stop()
	if err := (parquet.Encoder{}).Encode(stopped, func(string) (io.Writer, error) { return io.Discard, nil }, c, series); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
	full := errors.New("disk full")
	if err := (parquet.Encoder{}).Encode(context.Background(), func(string) (io.Writer, error) { return nil, full }, c, series); !errors.Is(err, full) {
		t.Error(err)
	}
	// Wherever the disk becomes full.
	for room := 0; room < len(encoded(t, parquet.Encoder{}, c, series)); room += 41 {
		disk := &disk{room: room, full: full}
		if err := (parquet.Encoder{}).Encode(context.Background(), func(string) (io.Writer, error) { return disk, nil }, c, series); !errors.Is(err, full) {
			t.Fatalf("room for %d bytes: %v", room, err)
		}
	}
}

type disk struct {
	room int
	full error
}

func (d *disk) Write(b []byte) (int, error) {
	n := min(len(b), d.room)
	if d.room -= n; n < len(b) {
		return n, d.full
	}
	return n, nil
}

// All memory that writing 8 × 1,000,000 samples takes, what is given back
// included, is less than the samples' own, even if they don't compress.
func TestMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("writes 8,000,000 samples")
	}
	dice := rand.New(rand.NewPCG(1, 1))
	noise := make(capture.Series, 1_000_000)
	for i := range noise {
		noise[i] = math.Float64frombits(dice.Uint64())
	}
	c, series := night(make([]capture.Channel, 8), slices.Repeat([]capture.Series{noise}, 8)...)
	runtime.GC()
	defer debug.SetGCPercent(debug.SetGCPercent(-1)) // it would empty the library's pools at any moment
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	err := parquet.Encoder{}.Encode(context.Background(), func(string) (io.Writer, error) { return io.Discard, nil }, c, series)
	runtime.ReadMemStats(&after)
	if taken := after.TotalAlloc - before.TotalAlloc; err != nil || taken > 8*8_000_000 {
		t.Errorf("%d MB for 64 MB of samples, %v", taken>>20, err)
	}
}
