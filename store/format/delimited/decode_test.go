package delimited_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"faultkeep/configs/strict"
	"faultkeep/store/format"
	"faultkeep/store/format/delimited"
)

func decode(t *testing.T, d delimited.Dialect, text string) []format.Record {
	t.Helper()
	files := []format.File{{Name: "trip.txt", Bytes: []byte(text)}}
	records, err := delimited.Decoder{Dialect: d}.Decode(context.Background(), files, format.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return records
}

// show is a record in short: names, units, timing, trigger, time, first and last row.
func show(r format.Record) string {
	var b strings.Builder
	for i, c := range r.Channels {
		fmt.Fprintf(&b, "%s[%s]", c.Name, c.Unit)
		if c.Digital() {
			fmt.Fprintf(&b, "%v", c.Bits)
		}
		s := r.Series[i]
		fmt.Fprintf(&b, "%v…%v ", s[0], s[len(s)-1])
	}
	fmt.Fprintf(&b, "%d×%.9gs trigger %d", r.Timing.Samples, r.Timing.Interval, r.Trigger)
	if !r.Time.IsZero() {
		b.WriteString(" at " + r.Time.Format("2006-01-02T15:04:05.999999999Z07:00"))
	}
	for _, rate := range r.Timing.Rates {
		fmt.Fprintf(&b, " to %d %.9gs", rate.End, rate.Interval)
	}
	return b.String()
}

// The ways in which such files come. Invented samples; the layouts are common
// practice, no source.
func TestLayouts(t *testing.T) {
	ms := 2 * strict.Duration(time.Millisecond)
	zero := 0
	half := 0.001
	for name, c := range map[string]struct {
		text    string
		dialect delimited.Dialect
		want    string
	}{
		"commas":                   {text: "Time [s],Speed [rpm],Current [A]\n-0.001,1500,12.5\n0,1499.5,13\n0.001,1490,20\n", want: "Speed[rpm]1500…1490 Current[A]12.5…20 3×0.001s trigger 1"},
		"semicolons, comma":        {text: "Zeit [ms];Drehzahl [1/min];Strom [A]\n-1,0;1500,5;12,5\n0,0;1499,5;13,0\n1,0;1490,0;20,25\n", want: "Drehzahl[1/min]1500.5…1490 Strom[A]12.5…20.25 3×0.001s trigger 1"},
		"tabs and a unit row":      {text: "Time\tSpeed\tCurrent\ns\trpm\tA\n0\t1\t2\n0.5\t3\t4\n", want: "Speed[rpm]1…3 Current[A]2…4 2×0.5s trigger 0"},
		"spaces":                   {text: "  t      n\n  0.0    1.5\n  0.1    1.6\n  0.2    1.7\n", want: "n[]1.5…1.7 3×0.1s trigger 0"},
		"thousands":                {text: "Time [ms];P [W]\n0,0;1.234,5\n0,5;12.345.678,0\n1,0;7,0\n", want: "P[W]1234.5…7 3×0.0005s trigger 0"},
		"thousands by apostrophe":  {text: "Time [ms];P [W]\n0.0;1'234.5\n0.5;12'345.0\n", want: "P[W]1234.5…12345 2×0.0005s trigger 0"},
		"preamble and fault":       {text: "Site: Northquay\nDevice;elevator\nFault code: 2310\nTrigger sample;2\n\nTime [ms];Speed [rpm]\n0;1\n10;2\n20;3\n", want: "Speed[rpm]1…3 3×0.01s trigger 1"},
		"interval above":           {text: "Sample interval: 0.5 ms\nSpeed [rpm],Torque [%]\n1,2\n3,4\n", want: "Speed[rpm]1…3 Torque[%]2…4 2×0.0005s trigger 0"},
		"rate above":               {text: "Sampling rate;2 kHz\nSpeed [rpm];Torque [%]\n1;2\n3;4\n", want: "Speed[rpm]1…3 Torque[%]2…4 2×0.0005s trigger 0"},
		"interval by dialect":      {text: "a;b\n1;2\n3;4\n", dialect: delimited.Dialect{Interval: ms}, want: "a[]1…3 b[]2…4 2×0.002s trigger 0"},
		"one column":               {text: "Speed\n1,5\n2,5\n3,5\n", dialect: delimited.Dialect{Interval: ms, Decimal: "comma"}, want: "Speed[]1.5…3.5 3×0.002s trigger 0"},
		"no names":                 {text: "0.00,5\n0.01,6\n0.02,7\n", dialect: delimited.Dialect{Header: &zero}, want: "column 2[]5…7 3×0.01s trigger 0"},
		"numbered samples":         {text: "Sample,Speed,On\n1,5,0\n2,6,1\n3,7,1\n", dialect: delimited.Dialect{Interval: ms}, want: "Speed[]5…7 On[][On]0…1 3×0.002s trigger 0"},
		"date and time":            {text: "Timestamp;Speed [rpm]\n25.11.2026 03:12:07,410;1\n25.11.2026 03:12:07,420;2\n25.11.2026 03:12:07,430;3\n", want: "Speed[rpm]1…3 3×0.01s trigger 0 at 2026-11-25T03:12:07.41Z"},
		"date and time apart":      {text: "Date;Time;Speed [rpm]\n2026-11-25;23:59:59.5;1\n2026-11-26;00:00:00.0;2\n2026-11-26;00:00:00.5;3\n", want: "Speed[rpm]1…3 3×0.5s trigger 0 at 2026-11-25T23:59:59.5Z"},
		"zone in the time":         {text: "Time,Speed [rpm]\n2026-11-25T03:12:07.00+01:00,1\n2026-11-25T03:12:07.25+01:00,2\n", want: "Speed[rpm]1…2 2×0.25s trigger 0 at 2026-11-25T02:12:07Z"},
		"layout by dialect":        {text: "When;Speed\n03:12:07.5 25-11-26;1\n03:12:08.0 25-11-26;2\n", dialect: delimited.Dialect{Time: delimited.Time{Column: "When", Layout: "hh:mm:ss.f DD-MM-YY"}}, want: "Speed[]1…2 2×0.5s trigger 0 at 2026-11-25T03:12:07.5Z"},
		"day that can't be first":  {text: "Time,Speed\n11/25/2026 03:12:07,1\n11/25/2026 03:12:08,2\n", want: "Speed[]1…2 2×1s trigger 0 at 2026-11-25T03:12:07Z"},
		"trigger row":              {text: "Time [s],Speed\n0,1\n1,2\n2,3\n", dialect: delimited.Dialect{Trigger: delimited.Trigger{Row: 3}}, want: "Speed[]1…3 3×1s trigger 2"},
		"trigger time":             {text: "Time [s],Speed\n0,1\n0.001,2\n0.002,3\n", dialect: delimited.Dialect{Trigger: delimited.Trigger{Time: &half}}, want: "Speed[]1…3 3×0.001s trigger 1"},
		"trigger column":           {text: "Time [s],Speed,Trip\n0,1,0\n1,2,0\n2,3,1\n", dialect: delimited.Dialect{Trigger: delimited.Trigger{Column: "trip"}}, want: "Speed[]1…3 Trip[][Trip]0…1 3×1s trigger 2"},
		"trigger column by itself": {text: "Time [s],Speed,Trigger\n5,1,0\n6,2,1\n7,3,1\n", want: "Speed[]1…3 Trigger[][Trigger]0…1 3×1s trigger 1"},
		"trigger share":            {text: "Pre-trigger: 50 %\nTime [s],Speed\n0,1\n1,2\n2,3\n3,4\n", want: "Speed[]1…4 4×1s trigger 2"},
		"trigger time above":       {text: "Trigger time: 2026-11-25 03:12:08\nTime;Speed\n2026-11-25 03:12:07.0;1\n2026-11-25 03:12:07.5;2\n2026-11-25 03:12:08.0;3\n", want: "Speed[]1…3 3×0.5s trigger 2 at 2026-11-25T03:12:08Z"},
		"two rates":                {text: "t [ms],v [V]\n0,1\n1,1\n2,1\n3,1\n13,1\n23,1\n33,2\n", want: "v[V]1…2 7×0.001s trigger 0 to 3 0.001s to 7 0.01s"},
		"comments and blanks":      {text: "# made at Northquay\nTime [s],Speed\n# begin\n0,1\n# middle\n1,2\n2,3\n\n\n", dialect: delimited.Dialect{Comment: "#"}, want: "Speed[]1…3 3×1s trigger 0"},
		"a remark between samples": {text: "Time [s],Speed\n0,1\n# tripped here\n1,2\n", want: "Speed[]1…2 2×1s trigger 0"},
		"tabs and stamps":          {text: "Timestamp\tSpeed (rpm)\tRun\n2026-11-25 03:12:07.400\t1480\tTRUE\n2026-11-25 03:12:07.410\t1479\tFALSE\n", want: "Speed[rpm]1480…1479 Run[][Run]1…0 2×0.01s trigger 0 at 2026-11-25T03:12:07.4Z"},
		"quotes":                   {text: "\"Time [s]\",\"Speed, \"\"main\"\" [rpm]\"\r\n\"0\",\"1\"\r\n\"1\",\"2\"\r\n", want: `Speed, "main"[rpm]1…2 2×1s trigger 0`},
		"delimiter at the end":     {text: "Time [s];Speed;\n0;1;\n1;2;\n", want: "Speed[]1…2 2×1s trigger 0"},
		"words of bits":            {text: "Time [s];Status\n0;0\n1;5\n", dialect: delimited.Dialect{Digital: []string{"Status"}}, want: "Status[][Status bit 0 Status bit 1 Status bit 2]0…5 2×1s trigger 0"},
		"on and off":               {text: "Time [s];Brake\n0;off\n1;on\n", want: "Brake[][Brake]0…1 2×1s trigger 0"},
		"exponents":                {text: "Time [s];v [V]\n0.000E+00;-1.25e-3\n1.000E-03;+2.5E3\n", want: "v[V]-0.00125…2500 2×0.001s trigger 0"},
		"coarse times":             {text: "Time [s],v\n0.0,1\n0.0,2\n0.1,3\n0.1,4\n0.1,5\n0.2,6\n0.2,7\n0.2,8\n0.3,9\n0.3,10\n0.3,11\n", want: "v[]1…11 11×0.03s trigger 0"},
	} {
		t.Run(name, func(t *testing.T) {
			records := decode(t, c.dialect, c.text)
			if len(records) != 1 {
				t.Fatalf("%d records", len(records))
			}
			if got := show(records[0]); got != c.want {
				t.Errorf("read as %s\nwant    %s\nwarnings %q", got, c.want, records[0].Warnings)
			}
			if d := (delimited.Decoder{Dialect: c.dialect}); !d.Sniff([]format.File{{Name: "trip.txt", Bytes: []byte(c.text)}}) {
				t.Error("not recognised")
			}
		})
	}
}

func TestEncodings(t *testing.T) {
	text := "Zeit [s];Temperatur [°C];Größe\n0;21,5;1,5\n1;22,5;2,5\n"
	utf16le, _ := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder().String(text)
	utf16be, _ := unicode.UTF16(unicode.BigEndian, unicode.UseBOM).NewEncoder().String(text)
	plain16, _ := unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM).NewEncoder().String(text)
	latin, _ := charmap.ISO8859_1.NewEncoder().String(text)
	for name, b := range map[string]string{"utf-8": text, "utf-8 with mark": "\ufeff" + text, "utf-16 little": utf16le, "utf-16 big": utf16be,
		"utf-16 without mark": plain16, "latin-1": latin, "cr lf": strings.ReplaceAll(text, "\n", "\r\n")} {
		t.Run(name, func(t *testing.T) {
			r := decode(t, delimited.Dialect{}, b)[0]
			if want := "Temperatur[°C]21.5…22.5 Größe[]1.5…2.5 2×1s trigger 0"; show(r) != want {
				t.Errorf("%s, want %s", show(r), want)
			}
		})
	}
}

func TestSeveralTables(t *testing.T) {
	for name, text := range map[string]string{
		"each with its names": "Record 1\nFault code: 17\nTime [s],Speed\n0,1\n1,2\n2,3\n\nRecord 2\nFault code: 18\nTime [s],Speed\n0,4\n1,5\n2,6\n",
		"a gap alone":         "Fault code: 17\nTime [s],Speed\n0,1\n1,2\n2,3\n\n0,4\n1,5\n2,6\n",
		"time begins anew":    "Fault code: 17\nTime [s],Speed\n0,1\n1,2\n2,3\n0,4\n1,5\n2,6\n",
	} {
		t.Run(name, func(t *testing.T) {
			records := decode(t, delimited.Dialect{}, text)
			if len(records) != 2 {
				t.Fatalf("%d records", len(records))
			}
			if a, b := show(records[0]), show(records[1]); a != "Speed[]1…3 3×1s trigger 0" || b != "Speed[]4…6 3×1s trigger 0" {
				t.Errorf("%s; %s", a, b)
			}
			if f := records[0].Field("fault"); f != "17" {
				t.Errorf("fault %q", f)
			}
			if f := records[1].Field("fault"); name == "each with its names" && f != "18" {
				t.Errorf("second fault %q", f)
			}
		})
	}
}

// Tables of one file may have different columns.
func TestTablesOfOtherWidths(t *testing.T) {
	records := decode(t, delimited.Dialect{}, "Fault;2311\nt [ms];speed [rpm]\n-1;1\n0;2\n1;3\n\nFault;3221\nt [ms];dc link [V];run\n-2;540;1\n0;0;0\n2;1;0\nend of file\n")
	if len(records) != 2 || show(records[0]) != "speed[rpm]1…3 3×0.001s trigger 1" || show(records[1]) != "dc link[V]540…1 run[][run]1…0 3×0.002s trigger 1" {
		for _, r := range records {
			t.Error(show(r))
		}
	}
	if a, b := records[0].Field("fault"), records[len(records)-1].Field("fault"); a != "2311" || b != "3221" {
		t.Errorf("faults %q and %q", a, b)
	}
}

// A row that is left out is told.
func TestRowThatStandsAloneIsTold(t *testing.T) {
	r := decode(t, delimited.Dialect{}, "Time [s],a\n0,1\n1,2\n2,3\nremark\nremark\n3,4\nanother\n")
	if len(r) != 1 || !strings.Contains(strings.Join(r[0].Warnings, " "), "One row of numbers stands alone on line 7") {
		t.Errorf("%d records, %q", len(r), r[0].Warnings)
	}
}

func TestFaultInAColumn(t *testing.T) {
	text := "Time [s],Speed,Fault code\n-1,1,0\n0,2,0\n1,3,2310\n2,3,2310\n"
	if f := decode(t, delimited.Dialect{}, text)[0].Field("fault"); f != "2310" {
		t.Errorf("fault %q", f)
	}
	text = "Time [s],Speed,State\n-1,1,RUN\n0,2,RUN\n1,3,F07\n2,3,F07\n"
	r := decode(t, delimited.Dialect{Fault: delimited.Place{Column: "State"}}, text)[0]
	if f := r.Field("fault"); f != "F07" && f != "RUN" {
		t.Errorf("fault %q", f)
	}
}

func TestMissingSamples(t *testing.T) {
	r := decode(t, delimited.Dialect{}, "Time [s],a [V],b [V]\n0,1,\n1,NaN,5\n2,3,-\n3,x,6\n4,1,1\n5,1,1\n6,1,1\n7,1,1\n8,1,1\n9,1,1\n10,1,1\n11,1,1\n")[0]
	a, b := r.Series[0], r.Series[1]
	if !math.IsNaN(a[1]) || !math.IsNaN(a[3]) || !math.IsNaN(b[0]) || !math.IsNaN(b[2]) || a[2] != 3 || b[3] != 6 {
		t.Errorf("%v %v", a, b)
	}
	if len(r.Warnings) != 1 || !strings.Contains(r.Warnings[0], `1 cell is no number, the first one on line 5: "x"`) {
		t.Errorf("warnings %q", r.Warnings)
	}
}

// Errors say the line and what to do.
func TestErrors(t *testing.T) {
	for _, c := range []struct {
		text, want string
		dialect    delimited.Dialect
		incomplete bool
	}{
		{text: "", want: "trip.txt: is empty", incomplete: true},
		{text: "nothing here\nbut words\n", want: "trip.txt: holds no table of numbers; try it with `faultkeep check --try`, and say how it is laid out with dialect:"},
		{text: "Time [s],a,b\n-1,1,2\n0,1,2\n1,2\n2,3,4\n", want: "trip.txt line 4: 2 cells where the rows above have 3 cells; look at this line; a text with the delimiter in it must stand in quotes"},
		{text: "Time [s],a,b\n0,1,2\n1,2,2\n2,3", want: "trip.txt line 4: ends within a row", incomplete: true},
		{text: "a,b\n5,1\n5,2\n4,3\n6,1\n", want: "trip.txt line 2: has no time column, and no line above it tells the sample interval; name the column with time: {column: …}, or give interval:"},
		{text: "Time [s],a\n0,1\n1,2\n2,3\n1.5,4\n3,1\n4,1\n5,1\n6,1\n7,1\n8,1\n9,1\n10,1\n", want: "trip.txt line 5: goes back in time; the rows of one record must stand in their order"},
		{text: "Time [s],a\n0,1\n1,2\n", dialect: delimited.Dialect{Trigger: delimited.Trigger{Column: "Trip"}}, want: `trip.txt line 1: has no column "Trip"; its columns are Time, a`},
		{text: "Time [s],a\n0,1\n1,2\n", dialect: delimited.Dialect{Trigger: delimited.Trigger{Row: 9}}, want: "trip.txt line 2: has its trigger at sample 9 of 2; look at trigger: in the dialect"},
		{text: "Time [s],a\n0,1\n1,2\n", dialect: delimited.Dialect{Encoding: "ebcdic"}, want: `trip.txt: can't be read by its dialect: "ebcdic" is no encoding that faultkeep reads; write utf-8, utf-16 or latin-1`},
		{text: "Time [s],a\n0,1\x00\n1,2\n", want: "trip.txt: is no text file: it has zero bytes"},
		{text: "Time [s],a\n0,1\n1,\xff\n", dialect: delimited.Dialect{Encoding: "utf-8"}, want: "trip.txt: isn't written in utf-8: byte 17 is no UTF-8; give another encoding: in the dialect"},
	} {
		files := []format.File{{Name: "trip.txt", Bytes: []byte(c.text)}}
		_, err := delimited.Decoder{Dialect: c.dialect}.Decode(context.Background(), files, format.Options{})
		var e *format.Error
		if !errors.As(err, &e) || err.Error() != c.want || errors.Is(err, format.ErrIncomplete) != c.incomplete {
			t.Errorf("%q: %v, incomplete %v\nwant %s", c.text, err, errors.Is(err, format.ErrIncomplete), c.want)
		}
	}
}

func TestDialectsAreChecked(t *testing.T) {
	four := 4
	d := delimited.Dialect{Encoding: "x", Delimiter: "ab", Decimal: "x", Thousands: "x", Header: &four, Time: delimited.Time{Unit: "d", Layout: "DD.MM"},
		Interval: -1, Trigger: delimited.Trigger{Row: -1, Column: "a", Field: "b"}, Fault: delimited.Place{Column: "a", Field: "b"}}
	var keys []string
	for _, p := range d.Check() {
		keys = append(keys, p.Key)
		if p.Text == "" || p.Hint == "" {
			t.Errorf("%+v", p)
		}
	}
	want := "[encoding delimiter decimal thousands header time.unit time.layout interval trigger.row trigger fault]"
	if fmt.Sprint(keys) != want {
		t.Errorf("%v, want %s", keys, want)
	}
	if p := (delimited.Dialect{Delimiter: "comma", Decimal: "comma"}).Check(); len(p) != 1 || p[0].Key != "decimal" {
		t.Errorf("%+v", p)
	}
}

// Hostile files end soon, and in bounded memory.
func TestHostileFiles(t *testing.T) {
	for name, text := range map[string][]byte{
		"one line of 100 MB":       bytes.Repeat([]byte("1,2;"), 25<<20),
		"one quote":                append([]byte("a,b\n1,\""), bytes.Repeat([]byte("1,2\n"), 1<<20)...),
		"very many columns":        append(bytes.Repeat([]byte("1,"), 1<<19), '\n'),
		"a wide row after many":    append(bytes.Repeat([]byte("1,2\n"), 1000), bytes.Repeat([]byte("1,"), 1<<18)...),
		"text and samples in turn": []byte("t [s],a\n0,1\n1,2\n" + strings.Repeat("1,2\n2,3\nwords\n", 350000)),
		"nothing but lines":        bytes.Repeat([]byte("\n"), 1<<22),
	} {
		t.Run(name, func(t *testing.T) {
			before := memory()
			_, err := delimited.Decoder{}.Decode(context.Background(), []format.File{{Name: "x.csv", Bytes: text}}, format.Options{})
			if err == nil {
				t.Error("read")
			}
			if grown := memory() - before; grown > uint64(4*len(text))+64<<20 {
				t.Errorf("took %d MB for a file of %d MB", grown>>20, len(text)>>20)
			}
		})
	}
}
