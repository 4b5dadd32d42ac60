package export_test

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"faultkeep/daemon/export"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// record is a made-up capture of three channels and 8 samples: an awkward
// scale, a digital word and a float that the drive itself sent as no number.
// Where partial, samples 2 and 3 of the last channel weren't read.
func record(t *testing.T, partial bool) export.Record {
	t.Helper()
	c, _ := storetest.Recording("elevator", 1, 3, 8)
	c.Timing.Interval, c.Trigger.Index = 0.1, 3
	c.Channels = []capture.Channel{{Name: "Speed, \"smoothed\"", Unit: "1/min", Role: capture.RoleSpeed},
		{Name: "Status", Role: capture.RoleDigital, Bits: []string{"ready", "fault"}},
		{Name: "=SUM(A1)", Unit: "V", Role: capture.RoleDCLink}}
	c.Encoding = capture.Encoding{Order: capture.ByChannel, Samples: 8, Channels: []capture.Coding{
		{Type: capture.Int16, Scale: 0.1}, {Type: capture.Uint16, Scale: 1}, {Type: capture.Float32, Scale: 1}}}
	data := make([]byte, c.Encoding.Size())
	for i := range 8 {
		data[2*i+1] = byte(i)
		data[16+2*i], data[16+2*i+1] = 0xff, byte(i)
	}
	copy(data[32:], []byte{0x7f, 0xc0, 0, 0, 0x7f, 0x80, 0, 0}) // IEEE 754: NaN, +Inf
	c.Integrity = capture.Integrity{Whole: true, Size: int64(len(data)), Have: []capture.Range{{Start: 0, End: int64(len(data))}}}
	if partial {
		c.Integrity.Whole = false
		c.Integrity.Have = []capture.Range{{Start: 0, End: 40}, {Start: 48, End: int64(len(data))}}
	}
	series, err := c.Encoding.Decode(data, c.Integrity.Have)
	if err != nil {
		t.Fatal(err)
	}
	return export.Record{Capture: c, Series: series, Original: data}
}

func written(t *testing.T, write func(io.Writer, export.Record) error, r export.Record) string {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b, r); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// RFC 4180: lines end in CR LF, a field with a comma or a quote stands in
// quotes, and a quote within is doubled.
func TestCSV(t *testing.T) {
	want := strings.Join([]string{
		`t [s],"Speed, ""smoothed"" [1/min]",Status,'=SUM(A1) [V]`,
		"-0.3,0,65280,NaN",
		"-0.2,0.1,65281,+Inf",
		"-0.1,0.2,65282,",
		"0.0,0.3,65283,", // 0.1 × 3 in binary: what reads back exactly
		"0.1,0.4,65284,0",
		"0.2,0.5,65285,0",
		"0.3,0.6,65286,0",
		"0.4,0.7,65287,0",
		""}, "\r\n")
	if got := written(t, export.CSV, record(t, true)); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if got := written(t, export.CSV, record(t, false)); !strings.Contains(got, "\r\n-0.2,0.1,65281,+Inf\r\n-0.1,0.2,65282,0\r\n") {
		t.Errorf("whole:\n%s", got)
	}
}

// peer is /usr/bin/python3: its csv and json modules aren't ours.
func peer(t *testing.T, script string, input string, args ...string) string {
	t.Helper()
	const python = "/usr/bin/python3"
	if _, err := exec.LookPath(python); err != nil {
		if os.Getenv("FAULTKEEP_REQUIRE_PEERS") != "" {
			t.Fatal(err)
		}
		t.Skip("no ", python)
	}
	cmd := exec.Command(python, append([]string{"-c", script}, args...)...)
	cmd.Stdin = strings.NewReader(input)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// Python's csv and json modules read back, bit for bit, what the drive sent.
func TestPeerReadsBack(t *testing.T) {
	for _, partial := range []bool{false, true} {
		r := record(t, partial)
		var want strings.Builder
		for _, s := range r.Series {
			for i, v := range s {
				if i > 0 {
					want.WriteByte(' ')
				}
				if math.IsNaN(v) {
					want.WriteString("7ff8000000000000") // any NaN, and what wasn't read
				} else {
					b, _ := json.Marshal(math.Float64bits(v))
					want.WriteString(hex(string(b)))
				}
			}
			want.WriteByte('\n')
		}
		const common = `
import csv, io, json, struct, sys
def bits(s):
    v = float("nan") if s in ("", None) else float(s)
    return "7ff8000000000000" if v != v else struct.pack(">d", v).hex()
text = sys.stdin.buffer.read().decode("utf-8")
`
		fromCSV := peer(t, common+`
rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
assert len({len(r) for r in rows}) == 1, rows
for col in list(zip(*rows[1:]))[1:]: print(" ".join(map(bits, col)))`, written(t, export.CSV, r))
		fromJSON := peer(t, common+`
def no(x): raise ValueError(x)
for ch in json.loads(text, parse_constant=no)["channels"]: print(" ".join(map(bits, ch["samples"])))`, written(t, export.JSON, r))
		if fromCSV != want.String() {
			t.Errorf("csv, partial %v:\n%swant\n%s", partial, fromCSV, &want)
		}
		if fromJSON != want.String() {
			t.Errorf("json, partial %v:\n%swant\n%s", partial, fromJSON, &want)
		}
	}
}

func hex(decimal string) string {
	var n uint64
	_ = json.Unmarshal([]byte(decimal), &n)
	const digits = "0123456789abcdef"
	out := make([]byte, 16)
	for i := range out {
		out[i] = digits[n>>(60-4*i)&15]
	}
	return string(out)
}

// The JSON holds everything: description, time axis, samples with null where
// nothing was read, and the original bytes.
func TestJSON(t *testing.T) {
	r := record(t, true)
	var d struct {
		Format  string          `json:"format"`
		Version int             `json:"version"`
		Capture capture.Capture `json:"capture"`
		Time    struct {
			Start    float64 `json:"start_s"`
			Interval float64 `json:"interval_s"`
			Count    int     `json:"count"`
			Trigger  int     `json:"trigger_index"`
		} `json:"time"`
		Channels []struct {
			Name    string `json:"name"`
			Samples []any  `json:"samples"`
		} `json:"channels"`
		Original string `json:"original_base64"`
	}
	if err := json.Unmarshal([]byte(written(t, export.JSON, r)), &d); err != nil {
		t.Fatal(err)
	}
	if d.Format != "faultkeep-capture" || d.Version != 1 || d.Capture.ID != r.Capture.ID {
		t.Errorf("%+v", d)
	}
	if d.Time.Interval != 0.1 || d.Time.Count != 8 || d.Time.Trigger != 3 || math.Abs(d.Time.Start+0.3) > 1e-12 {
		t.Errorf("time %+v", d.Time)
	}
	if len(d.Channels) != 3 || !slices.Equal(d.Channels[2].Samples, []any{"NaN", "+Inf", nil, nil, 0.0, 0.0, 0.0, 0.0}) {
		t.Errorf("channels %v", d.Channels)
	}
	if b, err := base64.StdEncoding.DecodeString(d.Original); err != nil || !bytes.Equal(b, r.Original) {
		t.Errorf("original %x, %v", b, err)
	}
}

// A capture of no channels is [] and not null; one that contradicts itself is
// refused before a byte is written.
func TestOddRecords(t *testing.T) {
	r := record(t, false)
	r.Capture.Channels, r.Series, r.Original = nil, nil, nil
	if got := written(t, export.JSON, r); !strings.Contains(got, `"channels":[]`) {
		t.Error(got)
	}
	for name, spoil := range map[string]func(*export.Record){
		"a channel without samples": func(r *export.Record) { r.Series = r.Series[:2] },
		"a short channel":           func(r *export.Record) { r.Series[1] = r.Series[1][:7] },
	} {
		r := record(t, false)
		spoil(&r)
		for _, f := range export.Formats {
			var b bytes.Buffer
			if err := f.Write(&b, r); err == nil || b.Len() > 0 || !strings.Contains(err.Error(), string(r.Capture.ID)) {
				t.Errorf("%s as %s: %v, %d bytes", name, f.Name, err, b.Len())
			}
		}
	}
	if _, err := export.Find("xls"); err == nil || !strings.Contains(err.Error(), "csv, comtrade, bundle, json") {
		t.Error(err)
	}
}

// Two long drive names must not share a file name.
func TestFileName(t *testing.T) {
	drive := strings.Repeat("conveyor ", 6)
	a, b := capture.NewID(storetest.Night, drive, "1"), capture.NewID(storetest.Night, drive, "2")
	if export.FileName(a, ".csv") == export.FileName(b, ".csv") || export.FileName(a, ".csv") != string(a)+".csv" {
		t.Errorf("%s, %s", export.FileName(a, ".csv"), export.FileName(b, ".csv"))
	}
	if got := export.FileName("../../etc/x\x00", ".csv"); strings.ContainsAny(got, "/\x00") || strings.Contains(got, "..") {
		t.Error(got)
	}
}

func says(text string) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.WriteString(w, text); return err }
}

func holds(t *testing.T, path, want string) {
	t.Helper()
	if b, err := os.ReadFile(path); err != nil || string(b) != want {
		t.Errorf("%s holds %q, %v", path, b, err)
	}
}

func TestSave(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.csv")
	if err := export.Save(path, false, says("one")); err != nil {
		t.Fatal(err)
	}
	if err := export.Save(path, false, says("two")); !errors.Is(err, export.ErrExists) {
		t.Errorf("%v", err)
	}
	holds(t, path, "one")
	if err := export.Save(path, true, says("three")); err != nil {
		t.Error(err)
	}
	holds(t, path, "three")

	broken := errors.New("the daemon went away")
	half := func(w io.Writer) error { _, _ = io.WriteString(w, "half"); return broken }
	for _, force := range []bool{false, true} {
		if err := export.Save(path, true, half); !errors.Is(err, broken) {
			t.Error(err)
		}
		if err := export.Save(filepath.Join(dir, "new.csv"), force, half); !errors.Is(err, broken) {
			t.Error(err)
		}
	}
	holds(t, path, "three")

	// A file that appears while the capture is written stays.
	late := filepath.Join(dir, "late.csv")
	err := export.Save(late, false, func(w io.Writer) error { return os.WriteFile(late, []byte("theirs"), 0o600) })
	if !errors.Is(err, export.ErrExists) {
		t.Error(err)
	}
	holds(t, late, "theirs")
	if files, _ := os.ReadDir(dir); len(files) != 2 {
		t.Errorf("leftovers: %v", files)
	}

	if err := export.Save(filepath.Join(dir, "none", "a.csv"), false, says("x")); err == nil {
		t.Error("saved into a folder that isn't there")
	}
	if err := export.Save(dir, true, says("x")); err == nil || !strings.Contains(err.Error(), "not a file") {
		t.Errorf("over a folder: %v", err)
	}
}

// A link is followed, a device is never replaced.
func TestSaveThroughLinks(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("links need rights there")
	}
	dir := t.TempDir()
	real, link := filepath.Join(dir, "real"), filepath.Join(dir, "link")
	if err := errors.Join(os.WriteFile(real, []byte("old"), 0o600), os.Symlink(real, link)); err != nil {
		t.Fatal(err)
	}
	if err := export.Save(link, false, says("new")); !errors.Is(err, export.ErrExists) {
		t.Error(err)
	}
	if err := export.Save(link, true, says("new")); err != nil {
		t.Error(err)
	}
	holds(t, real, "new")
	if info, err := os.Lstat(link); err != nil || info.Mode()&os.ModeSymlink == 0 {
		t.Errorf("the link became %v, %v", info, err)
	}
	// A socket stands for every device: what fails here must not hurt the machine.
	device := filepath.Join(dir, "device")
	l, err := net.Listen("unix", device)
	if err != nil {
		t.Skip(err)
	}
	defer l.Close()
	if err := export.Save(device, true, says("x")); err == nil || !strings.Contains(err.Error(), "not a file") {
		t.Error(err)
	}
	if info, err := os.Lstat(device); err != nil || info.Mode()&os.ModeSocket == 0 {
		t.Errorf("the device became %v, %v", info, err)
	}
}
