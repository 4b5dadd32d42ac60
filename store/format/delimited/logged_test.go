package delimited_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"faultkeep/configs/strict"
	"faultkeep/store/format"
	"faultkeep/store/format/delimited"
)

// More ways in which loggers, spreadsheets and oscilloscopes write. Invented
// samples; the layouts are common practice, no source.
func TestLoggedLayouts(t *testing.T) {
	ms := strict.Duration(time.Millisecond)
	for name, c := range map[string]struct {
		text    string
		dialect delimited.Dialect
		want    string
	}{
		"seconds since 1970":          {text: "time;speed [rpm]\n1764123456.25;1\n1764123456.50;2\n1764123456.75;3\n", want: "speed[rpm]1…3 3×0.25s trigger 0 at 2025-11-26T02:17:36.25Z"},
		"milliseconds since 1970":     {text: "timestamp_ms,speed\n1764123456250,1\n1764123456260,2\n1764123456270,3\n", want: "speed[]1…3 3×0.01s trigger 0 at 2025-11-26T02:17:36.25Z"},
		"milliseconds, not said":      {text: "timestamp,speed\n1764123456250,1\n1764123456260,2\n1764123456270,3\n", want: "speed[]1…3 3×0.01s trigger 0 at 2025-11-26T02:17:36.25Z"},
		"microseconds since 1970":     {text: "t [us]\tspeed\n1764123456250000\t1\n1764123456250500\t2\n1764123456251000\t3\n", want: "speed[]1…3 3×0.0005s trigger 0 at 2025-11-26T02:17:36.25Z"},
		"whole seconds since 1970":    {text: "time,speed\n1764123456,1\n1764123457,2\n1764123458,3\n", want: "speed[]1…3 3×1s trigger 0 at 2025-11-26T02:17:36Z"},
		"1970 and a trigger":          {text: "Trigger time: 1764123456.5\ntime;speed [rpm]\n1764123456.25;1\n1764123456.50;2\n1764123456.75;3\n", want: "speed[rpm]1…3 3×0.25s trigger 1 at 2025-11-26T02:17:36.5Z"},
		"quoted, CR alone":            {text: "\"Date\",\"Time\",\"Speed\"\r\"2026-11-25\",\"03:12:07.0\",\"1\"\r\"2026-11-25\",\"03:12:07.5\",\"2\"\r", want: "Speed[]1…2 2×0.5s trigger 0 at 2026-11-25T03:12:07Z"},
		"quoted, CR, no end":          {text: "\"Date\";\"Time\";\"Speed\"\r\"25.11.2026\";\"03:12:07,0\";\"1,5\"\r\"25.11.2026\";\"03:12:07,5\";\"2,5\"", want: "Speed[]1.5…2.5 2×0.5s trigger 0 at 2026-11-25T03:12:07Z"},
		"rate over names and units":   {text: "Sample rate;2000 Hz\nSpeed;Current\nrpm;A\n1;2\n3;4\n5;6\n", want: "Speed[rpm]1…5 Current[A]2…6 3×0.0005s trigger 0"},
		"rate over groups and names":  {text: "Sample rate;2000 Hz\n\nMotor;Motor\nSpeed [rpm];Current [A]\n1;2\n3;4\n5;6\n", want: "Speed[rpm]1…5 Current[A]2…6 3×0.0005s trigger 0"},
		"rate alone":                  {text: "Sample rate: 2000 Hz\nSpeed,Current\n[rpm],[A]\n1,2\n3,4\n5,6\n", want: "Speed[rpm]1…5 Current[A]2…6 3×0.0005s trigger 0"},
		"rate in a word":              {text: "SampleRate=2000\nSpeed,Current\nrpm,A\n1,2\n3,4\n5,6\n", want: "Speed[rpm]1…5 Current[A]2…6 3×0.0005s trigger 0"},
		"rate, spaces":                {text: "Sample rate: 500 Hz\nSpeed Current\nrpm A\n1.5 2\n3 4\n5 6\n", want: "Speed[rpm]1.5…5 Current[A]2…6 3×0.002s trigger 0"},
		"rate with its unit before":   {text: "Sample rate [Hz];2000\nSpeed;Current\nrpm;A\n1;2\n3;4\n5;6\n", want: "Speed[rpm]1…5 Current[A]2…6 3×0.0005s trigger 0"},
		"over midnight":               {text: "Time;Speed\n23:59:59.8;1\n23:59:59.9;2\n00:00:00.0;3\n00:00:00.1;4\n", want: "Speed[]1…4 4×0.1s trigger 0"},
		"over midnight, date above":   {text: "Start: 2026-11-25 23:59:59.8\nTime;Speed\n23:59:59.8;1\n23:59:59.9;2\n00:00:00.0;3\n00:00:00.1;4\n", want: "Speed[]1…4 4×0.1s trigger 0 at 2026-11-25T23:59:59.8Z"},
		"names in a comment, spaces":  {text: "# t speed current\n0.0 1 2\n0.1 3 4\n0.2 5 6\n", want: "speed[]1…5 current[]2…6 3×0.1s trigger 0"},
		"names in a comment, commas":  {text: "# t [s],speed [rpm]\n0.0,1\n0.1,3\n0.2,5\n", want: "speed[rpm]1…5 3×0.1s trigger 0"},
		"names after a remark":        {text: "# made at Northquay\n#t\tspeed\n0.0\t1\n0.1\t3\n", want: "speed[]1…3 2×0.1s trigger 0"},
		"names after percent":         {text: "% t speed\n0.0 1\n0.1 3\n", want: "speed[]1…3 2×0.1s trigger 0"},
		"twelve hours":                {text: "Time,Speed\n11/25/2026 11:59:59 PM,1\n11/26/2026 12:00:00 AM,2\n", want: "Speed[]1…2 2×1s trigger 0 at 2026-11-25T23:59:59Z"},
		"latin-1 units":               {text: "Time [\xb5s];Temp [\xb0C]\n0;20,5\n100;20,6\n", want: "Temp[°C]20.5…20.6 2×0.0001s trigger 0"},
		"a footer":                    {text: "Time [s];Speed\n0;1\n1;2\n2;3\nEnd of data\n", want: "Speed[]1…3 3×1s trigger 0"},
		"statistics beneath":          {text: "Time [s];Speed\n0;1\n1;2\n2;3\n\nMinimum;1\nMaximum;3\n", want: "Speed[]1…3 3×1s trigger 0"},
		"key and value above":         {text: "[Header]\nDrive=elevator\nFault=2311\nInterval=0.001 s\n[Data]\nSpeed;Torque\n1;2\n3;4\n", want: "Speed[]1…3 Torque[]2…4 2×0.001s trigger 0"},
		"signs and blanks in front":   {text: "Time [s], Speed\n -1.0, +5\n  0.0, -5\n +1.0, 5\n", want: "Speed[]5…5 3×1s trigger 1"},
		"empty cells and dashes":      {text: "Time [s];Speed;Current\n0;1;---\n1;;3\n2;5;4\n", want: "Speed[]1…5 Current[]NaN…4 3×1s trigger 0"},
		"one word of bits in hex":     {text: "Sample,Speed\n0,1\n1,2\n2,3\n", dialect: delimited.Dialect{Interval: ms}, want: "Speed[]1…3 3×0.001s trigger 0"},
		"no end of the last line":     {text: "Time [s];Speed\n0;1\n1;2\n2;3", want: "Speed[]1…3 3×1s trigger 0"},
		"units in the names, slashes": {text: "t/s;n/rpm\n0,0;1\n0,5;2\n", want: "n[rpm]1…2 2×0.5s trigger 0"},
	} {
		t.Run(name, func(t *testing.T) {
			files := []format.File{{Name: "trip.txt", Bytes: []byte(c.text)}}
			records, err := delimited.Decoder{Dialect: c.dialect}.Decode(context.Background(), files, format.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if len(records) != 1 {
				t.Fatalf("%d records", len(records))
			}
			if got := show(records[0]); got != c.want {
				t.Errorf("read as %s\nwant    %s\nwarnings %q", got, c.want, records[0].Warnings)
			}
		})
	}
}

// Names without samples yet are told as incomplete, so that whoever watches
// the file waits for the rest.
func TestNamesAlone(t *testing.T) {
	for _, text := range []string{"Time [s];Speed [rpm]\n", "Site: Northquay\nTime,Speed,Current\n", "Time\tSpeed\ns\trpm\n", "Time [s];Speed [rpm]", "Time [s];Speed [rpm]\n0;15"} {
		_, err := delimited.Decoder{}.Decode(context.Background(), []format.File{{Name: "trip.txt", Bytes: []byte(text)}}, format.Options{})
		if !errors.Is(err, format.ErrIncomplete) {
			t.Errorf("%q: %v", text, err)
		}
		if !(delimited.Decoder{}).Sniff([]format.File{{Name: "trip.txt", Bytes: []byte(text)}}) {
			t.Errorf("%q isn't recognised", text)
		}
	}
	for _, text := range []string{"Dear colleague,\nthe drive tripped.\nRegards, the technician\n", "hello\n"} {
		_, err := delimited.Decoder{}.Decode(context.Background(), []format.File{{Name: "trip.txt", Bytes: []byte(text)}}, format.Options{})
		if err == nil || errors.Is(err, format.ErrIncomplete) && text == "hello\n" {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// What can be read in two ways is read in the likelier one, and said.
func TestTwoWays(t *testing.T) {
	for text, want := range map[string]string{
		"Time;Speed\n01/02/2026 03:12:07;1\n01/02/2026 03:12:08;2\n":                "the day is taken",
		"Time [s];P [W]\n0;1,234\n1;2,345\n2;3,456\n":                               "decimal mark",
		"Time [s];P [W]\n0;1.234\n1;2.345\n2;3.456\n":                               "decimal mark",
		"Time;Speed\n2026-02-01 03:12:07;1\n2026-02-01 03:12:08;2\n":                "",
		"Time;Speed\n25/02/2026 03:12:07;1\n25/02/2026 03:12:08;2\n":                "",
		"Time [s];P [W];Q [W]\n0;1,234;0,5\n1;2,345;0,25\n2;3,456;0,125\n":          "",
		"timestamp;speed\n1764123456250;1\n1764123456260;2\n1764123456270;3\n":      "milliseconds since 1970",
		"timestamp [ms];speed\n1764123456250;1\n1764123456260;2\n1764123456270;3\n": "",
	} {
		r := decode(t, delimited.Dialect{}, text)[0]
		said := strings.Join(r.Warnings, " ")
		if want != "" && !strings.Contains(said, want) {
			t.Errorf("%q: warnings %q, want one with %q", text, said, want)
		}
		if want == "" && (strings.Contains(said, "the day is taken") || strings.Contains(said, "decimal mark") || strings.Contains(said, "since 1970")) {
			t.Errorf("%q: warned of nothing: %q", text, said)
		}
	}
}
