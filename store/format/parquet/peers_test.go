package parquet_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"faultkeep/store/capture"
	"faultkeep/store/format/parquet"
)

// table is what DuckDB, which isn't ours, reads in a file. A value is nil, a
// bool, or the bits of a double.
type table struct {
	Columns []struct {
		Name, Type string
		Values     []any
	}
	Facts       map[string]string
	Schema      []string
	Groups      []int
	Compression []string
	Answers     [][][]any // rows of a query's answer
}

// peer is how testdata/duckdb_peer.cjs is run: with Node.js, and the npm package
// @duckdb/node-api where NODE_PATH says, or else where npm installs for everybody.
var peer = sync.OnceValues(func() (run func(args ...string) ([]byte, error), err error) {
	node, err := exec.LookPath("node")
	if err != nil {
		return nil, err
	}
	environment := os.Environ()
	if os.Getenv("NODE_PATH") == "" {
		modules, err := exec.Command("npm", "root", "--global").Output()
		if err != nil {
			return nil, fmt.Errorf("npm doesn't say where its packages are: %w", err)
		}
		environment = append(environment, "NODE_PATH="+strings.TrimSpace(string(modules)))
	}
	run = func(args ...string) ([]byte, error) {
		cmd := exec.Command(node, args...)
		cmd.Env = environment
		var trouble bytes.Buffer
		cmd.Stderr = &trouble
		out, err := cmd.Output()
		if err != nil {
			err = fmt.Errorf("%w\n%s", err, &trouble)
		}
		return out, err
	}
	if _, err := run("-e", `require.resolve("@duckdb/node-api")`); err != nil {
		return nil, fmt.Errorf("the npm package @duckdb/node-api isn't installed: %w", err)
	}
	return run, nil
})

// duckDB reads a file.
func duckDB(t *testing.T, file []byte, queries ...string) (got table) {
	t.Helper()
	run, err := peer()
	if err != nil {
		if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	path := filepath.Join(t.TempDir(), "night's trip.parquet")
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := run(append([]string{"testdata/duckdb_peer.cjs", path}, queries...)...)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	return got
}

// bits is a double as the peer prints it, who knows one NaN.
func bits(v float64) any {
	if math.IsNaN(v) {
		return "7ff8000000000000"
	}
	return fmt.Sprintf("%016x", math.Float64bits(v))
}

// same compares a column's values with what each row should hold.
func same(t *testing.T, name string, got []any, rows int, want func(row int) any) {
	t.Helper()
	if len(got) != rows {
		t.Fatalf("%s: %d rows, want %d", name, len(got), rows)
	}
	for i, g := range got {
		if w := want(i); g != w {
			t.Fatalf("%s row %d: %v, want %v", name, i, g, w)
		}
	}
}

// storm is a capture of every kind of channel, with holes.
func storm(samples int) (capture.Capture, []capture.Series) {
	dice := rand.New(rand.NewPCG(7, uint64(samples)))
	series := make([]capture.Series, 4)
	for i := range series {
		series[i] = make(capture.Series, samples)
		for k := range series[i] {
			switch {
			case dice.IntN(20) == 0:
				series[i][k] = nan
			case i == 0: // as a drive scales it
				series[i][k] = capture.Scaled(float64(dice.IntN(65535)-32767), 0.1)
			case i == 1: // any pattern of bits at all
				series[i][k] = math.Float64frombits(dice.Uint64())
			case i == 2:
				series[i][k] = []float64{inf, -inf, 0, math.Copysign(0, -1), math.MaxFloat64, math.SmallestNonzeroFloat64}[dice.IntN(6)]
			default: // the first with bits that have no name
				series[i][k] = float64((dice.IntN(1<<16) | max(0, 1-k)<<15 | max(0, 1-k)<<4) & 0b1000_0000_0001_0101)
			}
		}
	}
	return night([]capture.Channel{{Name: "speed", Unit: "1/min", Role: capture.RoleSpeed}, {Name: "torque", Unit: "N·m", Role: capture.RoleTorque},
		{Name: "position error", Unit: "mm"}, {Name: "status", Role: capture.RoleDigital, Bits: []string{"running", "", "fault", "", "", "brake"}}}, series...)
}

// Every value that was read is what DuckDB reads, bit for bit, in every row group.
func TestDuckDBReadsEverySample(t *testing.T) {
	for _, samples := range []int{0, 1, 500, 1<<16 + 100} {
		if samples > 1000 && testing.Short() {
			continue
		}
		t.Run(strconv.Itoa(samples), func(t *testing.T) {
			c, series := storm(samples)
			read := func(channel, i int) bool { return (i+channel)%7 != 0 } // what isn't a number may have been read
			e := parquet.Encoder{Present: func(channel int) func(int) bool { return func(i int) bool { return read(channel, i) } }}
			got := duckDB(t, encoded(t, e, c, series))
			names := []string{"t", "speed", "torque", "position_error", "status_running", "status_fault", "status_bit_4", "status_brake", "status_bit_15"}
			digits := []int{0, 2, 4, 5, 15}
			if samples == 0 { // no bit is set: those that have a name
				names, digits = slices.Concat(names[:6], names[7:8]), []int{0, 2, 5}
			}
			if len(got.Columns) != len(names) {
				t.Fatalf("columns %v", got.Schema)
			}
			for i, col := range got.Columns {
				if kind := map[bool]string{true: "DOUBLE", false: "BOOLEAN"}[i < 4]; col.Name != names[i] || col.Type != kind {
					t.Errorf("column %q %s, want %q %s", col.Name, col.Type, names[i], kind)
				}
				same(t, col.Name, col.Values, samples, func(row int) any {
					switch {
					case i == 0:
						return bits(float64(row-c.Trigger.Index) / 1000)
					case i < 4 && read(i-1, row):
						return bits(series[i-1][row])
					case i < 4 || !read(3, row) || math.IsNaN(series[3][row]):
						return nil
					}
					return int(series[3][row])>>digits[i-4]&1 == 1
				})
			}
			want := []int(nil)
			for left := samples; left > 0; left -= 1 << 16 {
				want = append(want, min(left, 1<<16))
			}
			if !slices.Equal(got.Groups, want) && len(got.Groups)+len(want) > 0 || samples > 0 && !slices.Equal(got.Compression, []string{"ZSTD"}) {
				t.Errorf("row groups of %v rows, compressed with %v", got.Groups, got.Compression)
			}
			if got.Schema[0] != "t REQUIRED" || got.Schema[1] != "speed OPTIONAL" {
				t.Errorf("schema %v", got.Schema)
			}
		})
	}
}

// Readers skip row groups by the bounds that are told of them. Bounds that a
// NaN or a negative zero had spoilt would lose rows.
func TestDuckDBFindsWhatItLooksFor(t *testing.T) {
	negative := math.Copysign(0, -1)
	c, series := night([]capture.Channel{{Name: "a"}, {Name: "b"}, {Name: "c"}, {Name: "d"}},
		capture.Series{nan, 5, nan, 7, nan}, capture.Series{nan, nan, nan, nan, nan}, capture.Series{0, 0, 0, 0, 0}, capture.Series{negative, negative, inf, -inf, 1})
	e := parquet.Encoder{Present: func(int) func(int) bool { return func(i int) bool { return i < 4 } }}
	got := duckDB(t, encoded(t, e, c, series), "SELECT count(*) FROM f WHERE a = 5", "SELECT count(*) FROM f WHERE a > 6 AND NOT isnan(a)", "SELECT count(*) FROM f WHERE isnan(a)",
		"SELECT count(*) FROM f WHERE isnan(b)", "SELECT count(*) FROM f WHERE c = -0.0::DOUBLE", "SELECT count(*) FROM f WHERE d = 0", "SELECT count(*) FROM f WHERE d < -1e308", "SELECT count(*) FROM f WHERE d > 1e308",
		"SELECT count(*) FROM f WHERE a IS NULL")
	var counts []any
	for _, a := range got.Answers {
		counts = append(counts, a[0][0])
	}
	if want := []any{"1", "1", "2", "4", "4", "2", "1", "1", "1"}; !slices.Equal(counts, want) {
		t.Errorf("rows found: %v, want %v", counts, want)
	}
}

// Names from anywhere become names that a query can say without quotes, each once.
func TestDuckDBReadsHostileNames(t *testing.T) {
	long := strings.Repeat("ä", 1000)
	names := [][2]string{ // the channel's, the column's
		{"Speed\n\"smoothed\"; DROP TABLE f --", "Speed_smoothed_DROP_TABLE_f"}, {"", "channel_2"}, {"t", "t_2"}, {"T", "T_3"},
		{"speed", "speed"}, {"SPEED", "SPEED_2"}, {"speed", "speed_3"}, {"speed_2", "speed_2_2"}, {"speed_2", "speed_2_3"},
		{"\xff\x00..\xfe", "channel_10"}, {long, long[:128]}, {long, long[:128] + "_2"}, {"channel_2", "channel_2_2"},
		{"=SUM(A1)", "SUM_A1"}, {"a.b", "a_b"}, {"速度 m/s²", "速度_m_s²"}, {" .x. ", "x"},
		{"pos_2", "pos_2"}, {"pos", "pos"}, {"pos", "pos_3"},
	}
	var channels []capture.Channel
	var series []capture.Series
	for i, n := range names {
		channels, series = append(channels, capture.Channel{Name: n[0], Unit: "1/min\n"}), append(series, capture.Series{float64(i)})
	}
	word := capture.Channel{Name: long, Role: capture.RoleDigital, Bits: []string{"on", "on", "\n", long}}
	bitNames := []string{long[:128] + "_on", long[:128] + "_on_2", long[:128] + "_bit_2", long[:128] + "_" + long[:128]}
	c, series := night(append(channels, word), append(series, capture.Series{1})...)
	got := duckDB(t, encoded(t, parquet.Encoder{}, c, series), "SELECT Speed_smoothed_DROP_TABLE_f, channel_2, t_2, 速度_m_s², a_b, SUM_A1 FROM f")
	for i, col := range got.Columns[1:] {
		var name string
		var want any
		if i < len(names) {
			name, want = names[i][1], bits(float64(i))
		} else {
			name, want = bitNames[i-len(names)], i == len(names)
		}
		if col.Name != name || !slices.Equal(col.Values, []any{want}) {
			t.Errorf("column %d is %q with %v, want %q with %v", i, col.Name, col.Values, name, want)
		}
	}
	if len(got.Columns) != 1+len(names)+len(bitNames) {
		t.Errorf("columns %v", got.Schema)
	}
	if want := []any{bits(0), bits(1), bits(2), bits(15), bits(14), bits(13)}; !slices.Equal(got.Answers[0][0], want) {
		t.Errorf("without quotes: %v, want %v", got.Answers[0][0], want)
	}
	var columns []struct{ Column, Channel, Unit string }
	if err := json.Unmarshal([]byte(got.Facts["faultkeep.columns"]), &columns); err != nil {
		t.Fatal(err)
	}
	for i, n := range names {
		if want := strings.ToValidUTF8(n[0], "\uFFFD"); columns[i].Column != n[1] || columns[i].Channel != want || columns[i].Unit != "1/min\n" {
			t.Errorf("metadata of column %d: %+v, want the channel %q", i, columns[i], want)
		}
	}
}

// The metadata says of what the samples are, and the times of samples follow
// an interval that changes.
func TestDuckDBReadsTheFacts(t *testing.T) {
	c, series := night([]capture.Channel{{Name: "DC link", Unit: "V", Role: capture.RoleDCLink}, {Name: "status", Role: capture.RoleDigital, Bits: []string{"", "run <1>"}}},
		capture.Series{540, 541, 542, 543, 544, 545}, capture.Series{0, 2, 0, 2, 0, 2})
	drive := time.Date(2026, 11, 25, 4, 12, 7, 0, time.FixedZone("Oslo", 3600))
	c.Trigger.Drive, c.Kept, c.DriveType = &drive, c.Trigger.Latest.Add(time.Second), "conveyor"
	c.Timing.Rates = []capture.Rate{{End: 3, Interval: 0.001}, {End: 6, Interval: 0.25}}
	c.Integrity.Whole, c.Integrity.Why = false, "reset while it was read\xff"
	c.Origin = capture.Trace
	got := duckDB(t, encoded(t, parquet.Encoder{}, c, series))
	want := map[string]string{
		"version": "1", "id": "20261125-031207-elevator-4q26", "origin": "trace", "site": "Northquay", "drive": "elevator", "title": "Bucket elevator", "drive_type": "conveyor",
		"fault_code": "2311", "fault": "Continuous overcurrent, output 1 (2311)",
		"trigger_time": "2026-11-25T03:12:07.41Z", "trigger_earliest": "2026-11-25T03:12:07.28Z", "trigger_latest": "2026-11-25T03:12:07.54Z", "trigger_uncertainty_s": "0.13",
		"trigger_drive_time": "2026-11-25T03:12:07Z", "trigger_index": "2", "interval_s": "0.001", "rates": `[{"end":3,"interval_s":0.001},{"end":6,"interval_s":0.25}]`,
		"whole": "false", "wholeness": "trace only", "why": "reset while it was read\uFFFD", "kept": "2026-11-25T03:12:08.54Z",
		"sha256": "5f70bf18a086007016e948b04aed3b82103a36bea41755b6cddfaf10ace3c6ef",
		"columns": `[{"column":"DC_link","channel":"DC link","unit":"V","role":"dc-link"},` +
			`{"column":"status_run_1","channel":"status","role":"digital","bit":1,"bit_name":"run \u003c1\u003e"}]`,
	}
	for key, value := range got.Facts {
		if w, known := want[strings.TrimPrefix(key, "faultkeep.")]; !known || value != w {
			t.Errorf("%s is %q, want %q", key, value, w)
		}
	}
	if len(got.Facts) != len(want) {
		t.Errorf("%d facts, want %d: %v", len(got.Facts), len(want), got.Facts)
	}
	// Six samples, the third the trigger: three 1 ms apart, then three 250 ms.
	times := []float64{-0.002, -0.001, 0, 0.001, 0.251, 0.501}
	for i, v := range got.Columns[0].Values {
		n, err := strconv.ParseUint(fmt.Sprint(v), 16, 64)
		if err != nil || math.Abs(math.Float64frombits(n)-times[i]) > 1e-15 {
			t.Errorf("row %d is at %v, want %v s", i, math.Float64frombits(n), times[i])
		}
	}
}
