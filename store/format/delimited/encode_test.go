package delimited_test

import (
	"bytes"
	"context"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"faultkeep/store/capture"
	"faultkeep/store/format"
	"faultkeep/store/format/delimited"
)

func encode(t testing.TB, c capture.Capture, series []capture.Series) []byte {
	t.Helper()
	var out bytes.Buffer
	err := delimited.Encoder{}.Encode(context.Background(), func(extension string) (io.Writer, error) {
		if extension != ".csv" {
			t.Errorf("writes %q", extension)
		}
		return &out, nil
	}, c, series)
	if err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func drawn(t *rapid.T) (capture.Capture, []capture.Series) {
	var c capture.Capture
	n := rapid.IntRange(3, 60).Draw(t, "samples")
	c.Timing = capture.Timing{Samples: n, Interval: rapid.SampledFrom([]float64{1, 0.1, 0.001, 2.5e-4, 1e-6, 1.0 / 3, 0.007}).Draw(t, "interval")}
	c.Trigger.Index = rapid.IntRange(0, n-1).Draw(t, "trigger")
	var series []capture.Series
	for range rapid.IntRange(1, 6).Draw(t, "channels") {
		name := rapid.StringMatching(`[A-Za-zäöü][A-Za-z0-9 ,;"/_()\[\]°-]{0,12}[a-z\])]`).Draw(t, "name")
		c.Channels = append(c.Channels, capture.Channel{Name: strings.TrimSpace(name), Role: capture.RoleOther,
			Unit: rapid.SampledFrom([]string{"", "A", "1/min", "°C", "%", "widgets"}).Draw(t, "unit")})
		s := make(capture.Series, n)
		for i := range s {
			s[i] = rapid.OneOf(rapid.Float64(), rapid.Float64Range(-2000, 2000), rapid.Just(math.NaN())).Draw(t, "v")
		}
		s[0] = rapid.Float64Range(2, 9).Draw(t, "first") // not a channel of bits, nor an empty one
		series = append(series, s)
	}
	return c, series
}

// What is written is read back exactly: names, units, every sample's bits, the trigger.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c, series := drawn(rt)
		b := encode(t, c, series)
		records, err := delimited.Decoder{}.Decode(context.Background(), []format.File{{Name: "x.csv", Bytes: b}}, format.Options{})
		if err != nil || len(records) != 1 {
			rt.Fatalf("%v, %d records\n%s", err, len(records), b)
		}
		r := records[0]
		if len(r.Channels) != len(c.Channels) || r.Timing.Samples != c.Timing.Samples || r.Trigger != c.Trigger.Index ||
			math.Abs(r.Timing.Interval/c.Timing.Interval-1) > 1e-9 {
			rt.Fatalf("%+v trigger %d, was %+v trigger %d\n%s", r.Timing, r.Trigger, c.Timing, c.Trigger.Index, b)
		}
		for i, ch := range r.Channels {
			if ch.Name != c.Channels[i].Name || ch.Unit != c.Channels[i].Unit {
				rt.Fatalf("channel %+v, was %+v\n%s", ch, c.Channels[i], b)
			}
			for k, v := range r.Series[i] {
				if was := series[i][k]; math.Float64bits(v) != math.Float64bits(was) && !(math.IsNaN(v) && math.IsNaN(was)) {
					rt.Fatalf("sample %d is %v, was %v", k, v, was)
				}
			}
		}
	})
}

// Python's csv module, which isn't ours, finds the same cells.
func TestPythonReadsTheSame(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	c := capture.Capture{Timing: capture.Timing{Samples: 3, Interval: 0.001}, Trigger: capture.Trigger{Index: 1}, Channels: []capture.Channel{
		{Name: `Speed, "main"`, Unit: "rpm"}, {Name: "Größe"}}}
	series := []capture.Series{{1500.25, math.NaN(), -1e-300}, {1.0 / 3, 2, 3}}
	path := filepath.Join(t.TempDir(), "x.csv")
	if err := os.WriteFile(path, encode(t, c, series), 0o600); err != nil {
		t.Fatal(err)
	}
	const script = `
import csv, sys
rows = list(csv.reader(open(sys.argv[1], encoding="utf-8", newline=""), strict=True))
print("|".join(rows[0]))
for r in rows[1:]:
    print("|".join("nan" if v == "" else float(v).hex() for v in r))
`
	out, err := exec.Command(python, "-c", script, path).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	want := []string{`time [s]|Speed, "main" [rpm]|Größe`}
	for i := range 3 {
		row := []string{strconv.FormatFloat(float64(i-1)*0.001, 'x', -1, 64)}
		for _, s := range series {
			row = append(row, strconv.FormatFloat(s[i], 'x', -1, 64))
		}
		want = append(want, strings.Join(row, "|"))
	}
	for i, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		for k, cell := range strings.Split(line, "|") {
			if i == 0 {
				continue
			}
			wanted := strings.Split(want[i], "|")[k]
			a, errA := strconv.ParseFloat(cell, 64)
			b, errB := strconv.ParseFloat(wanted, 64)
			if errA != nil || errB != nil || a != b && !(math.IsNaN(a) && math.IsNaN(b)) {
				t.Errorf("row %d cell %d: %s, want %s", i, k, cell, wanted)
			}
		}
		if i == 0 && line != want[0] {
			t.Errorf("heading %s, want %s", line, want[0])
		}
	}
}

// FuzzDecode: no text makes the decoder panic, or say something of a file that
// can't be: series of other lengths, a trigger outside.
func FuzzDecode(f *testing.F) {
	for _, s := range []string{"Time [s],a\n0,1\n1,2\n", "a;b\n1,5;2\n\n2,5;3\n", "\ufeffDate;Time;x\n2026-11-25;03:12:07,5;1\n2026-11-25;03:12:08,5;2\n",
		"x\ty\n1\t\"2\n3\"\n", "Time [ms];P\n0;1.234,5\n1;2.000,0\n0;1\n1;2\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		files := []format.File{{Name: "x.csv", Bytes: b}}
		delimited.Decoder{}.Sniff(files)
		records, err := delimited.Decoder{}.Decode(context.Background(), files, format.Options{})
		if err != nil {
			return
		}
		for _, r := range records {
			if len(r.Channels) == 0 || len(r.Series) != len(r.Channels) || r.Trigger < 0 || r.Trigger > r.Timing.Samples || !(r.Timing.Interval > 0) {
				t.Fatalf("%+v", r)
			}
			for _, s := range r.Series {
				if len(s) != r.Timing.Samples {
					t.Fatalf("%d samples of %d", len(s), r.Timing.Samples)
				}
			}
		}
	})
}
