package delimited_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"faultkeep/store/format"
	"faultkeep/store/format/delimited"
)

// tool is one way in which a logger, a spreadsheet or an oscilloscope writes
// its samples. All of them are invented; the layouts are common practice, no source.
type tool struct {
	name    string
	text    string
	dialect delimited.Dialect
	want    string // records, see show; or
	fails   string // what the error says
	warns   string // part of a warning; empty: none at all
	fault   string
}

const uneventful = "Nothing tells the trigger"

var tools = []tool{
	// Clocks.
	{name: "unix seconds", text: "time,speed [rpm]\n1764123456.25,1\n1764123456.50,2\n1764123456.75,3\n",
		want: "speed[rpm]1…3 3×0.25s trigger 0 at 2025-11-26T02:17:36.25Z", warns: uneventful},
	{name: "unix milliseconds", text: "timestamp;speed [rpm]\n1764123456250;1\n1764123456260;2\n1764123456270;3\n",
		want: "speed[rpm]1…3 3×0.01s trigger 0 at 2025-11-26T02:17:36.25Z", warns: uneventful},
	{name: "unix microseconds", text: "timestamp,speed [rpm],trigger\n1764123456250000,1,0\n1764123456250100,2,1\n1764123456250200,3,1\n",
		want: "speed[rpm]1…3 trigger[][trigger]0…1 3×0.0001s trigger 1 at 2025-11-26T02:17:36.2501Z", warns: "microseconds since 1970"},
	{name: "unix milliseconds, named", text: "time [ms],speed\n1764123456250,1\n1764123456260,2\n1764123456270,3\n",
		want: "speed[]1…3 3×0.01s trigger 0 at 2025-11-26T02:17:36.25Z", warns: uneventful},
	{name: "date and time quoted, CR", text: "\"Date\",\"Time\",\"I [A]\"\r\"25.11.2026\",\"03:12:07.410\",\"1.5\"\r\"25.11.2026\",\"03:12:07.420\",\"2.5\"\r\"25.11.2026\",\"03:12:07.430\",\"3.5\"\r",
		want: "I[A]1.5…3.5 3×0.01s trigger 0 at 2026-11-25T03:12:07.41Z", warns: uneventful},
	{name: "over midnight", text: "Time;n [rpm]\n23:59:59.8;1\n23:59:59.9;2\n00:00:00.0;3\n00:00:00.1;4\n",
		want: "n[rpm]1…4 4×0.1s trigger 0", warns: uneventful},
	{name: "over midnight, dated above", text: "Date: 2026-11-25\nTrigger time: 00:00:00.0\nTime;n [rpm]\n23:59:59.8;1\n23:59:59.9;2\n00:00:00.0;3\n00:00:00.1;4\n",
		want: "n[rpm]1…4 4×0.1s trigger 2 at 2026-11-26T00:00:00Z", warns: "taken for the first sample's"},
	{name: "twelve hours", text: "Time,n [rpm]\n25/11/2026 11:59:59.5 AM,1\n25/11/2026 12:00:00.0 PM,2\n25/11/2026 12:00:00.5 PM,3\n",
		want: "n[rpm]1…3 3×0.5s trigger 0 at 2026-11-25T11:59:59.5Z", warns: uneventful},
	{name: "day or month", text: "Time,n [rpm]\n03/04/2026 10:00:00,1\n03/04/2026 10:00:01,2\n",
		want: "n[rpm]1…2 2×1s trigger 0 at 2026-04-03T10:00:00Z", warns: "time: {layout"},
	{name: "day or month, quoted", text: "Date;Time;n [rpm]\n03.04.2026;10:00:00;1\n03.04.2026;10:00:01;2\n",
		want: "n[rpm]1…2 2×1s trigger 0 at 2026-04-03T10:00:00Z", warns: uneventful},
	{name: "minutes and seconds", text: "t,n [rpm]\n10:00.5,1\n10:01.0,2\n10:01.5,3\n",
		want: "n[rpm]1…3 3×0.5s trigger 0", warns: uneventful},
	{name: "month by name", text: "Time;n [rpm]\n25-Nov-2026 03:12:07.5;1\n25-Nov-2026 03:12:08.0;2\n",
		want: "n[rpm]1…2 2×0.5s trigger 0 at 2026-11-25T03:12:07.5Z", warns: uneventful},
	// Rates and units.
	{name: "rate above names and units", text: "Recorder 7\nSample rate;2000 Hz\n\nSpeed;Current\n[rpm];[A]\n1500;1,5\n1490;2,5\n1480;3,5\n",
		want: "Speed[rpm]1500…1480 Current[A]1.5…3.5 3×0.0005s trigger 0", warns: uneventful},
	{name: "rate above groups and names", text: "Sample rate;2000 Hz\nMotor;Motor;Grid\nSpeed [rpm];Current [A];Voltage [V]\n1500;1,5;400\n1490;2,5;401\n1480;3,5;402\n",
		want: "Speed[rpm]1500…1480 Current[A]1.5…3.5 Voltage[V]400…402 3×0.0005s trigger 0", warns: uneventful},
	{name: "rate with its unit in the name", text: "Sampling rate [kHz];4\nSpeed;Current\nrpm;A\n1500;1,5\n1490;2,5\n",
		want: "Speed[rpm]1500…1490 Current[A]1.5…2.5 2×0.00025s trigger 0", warns: uneventful},
	{name: "comment names, spaces", text: "# t speed current\n0.000 1500 1.5\n0.001 1490 2.5\n0.002 1480 3.5\n",
		want: "speed[]1500…1480 current[]1.5…3.5 3×0.001s trigger 0", warns: "taken as seconds"},
	{name: "comment names, commas", text: "# logged at Northquay\n# t [ms],speed [rpm],current [A]\n-1,1500,1.5\n0,1490,2.5\n1,1480,3.5\n",
		want: "speed[rpm]1500…1480 current[A]1.5…3.5 3×0.001s trigger 1"},
	{name: "percent comment", text: "% t [s]\tspeed [rpm]\n0\t1500\n0.001\t1490\n0.002\t1480\n", dialect: delimited.Dialect{Comment: "%"},
		want: "speed[rpm]1500…1480 3×0.001s trigger 0", warns: "comment above"},
	{name: "oscilloscope", text: "Source,CH1,CH2\nSecond,Volt,Volt\n-2.000000E-06,+1.20E-02,4.1\n-1.000000E-06,+1.30E-02,4.2\n0.000000E+00,-1.40E-02,4.3\n",
		want: "CH1[Volt]0.012…-0.014 CH2[Volt]4.1…4.3 3×1e-06s trigger 2"},
	{name: "key=value", text: "[Header]\ndevice=elevator\nsample interval=0.5 ms\nfault code=2310\ntrigger sample=2\n[Data]\nSpeed,Current\n1,2\n3,4\n5,6\n",
		want: "Speed[]1…5 Current[]2…6 3×0.0005s trigger 1", fault: "2310"},
	{name: "interval, German comma", text: "Abtastrate;1000 Hz\nDrehzahl [1/min];Strom [A]\n1.500,5;2,5\n1.499,5;3,5\n",
		want: "Drehzahl[1/min]1500.5…1499.5 Strom[A]2.5…3.5 2×0.001s trigger 0", warns: uneventful},
	{name: "milliseconds by number", text: "Index;t/ms;n/rpm\n1;-0,5;10\n2;0,0;20\n3;0,5;30\n", want: "n[rpm]10…30 3×0.0005s trigger 1"},
	{name: "microseconds, latin-1", text: latin("t [µs];T [°C]\n0;20,5\n100;20,6\n200;20,7\n"), want: "T[°C]20.5…20.7 3×0.0001s trigger 0"},
	{name: "UTF-16 little", text: utf16("t [s]\tT [°C]\r\n0\t20,5\r\n1\t20,6\r\n2\t20,7", unicode.LittleEndian), want: "T[°C]20.5…20.7 3×1s trigger 0"},
	{name: "UTF-16 big", text: utf16("t [s]\tT [°C]\r\n0\t20,5\r\n1\t20,6\r\n2\t20,7\r\n", unicode.BigEndian), want: "T[°C]20.5…20.7 3×1s trigger 0"},
	{name: "rate with thousands", text: "Sample rate,\"2,000 Hz\"\nSpeed [rpm],I [A]\n1.5,2\n2.5,3\n", want: "Speed[rpm]1.5…2.5 I[A]2…3 2×0.0005s trigger 0", warns: uneventful},
	{name: "rate in kHz in brackets", text: "Sample rate (kHz);4\nSpeed [rpm];I [A]\n1.5;2\n2.5;3\n", want: "Speed[rpm]1.5…2.5 I[A]2…3 2×0.00025s trigger 0", warns: uneventful},
	// Cells.
	{name: "quoted decimal comma between commas", text: "\"t [s]\",\"v [V]\"\n\"-0,5\",\"1,25\"\n\"0,0\",\"2,25\"\n\"0,5\",\"3,25\"\n", want: "v[V]1.25…3.25 3×0.5s trigger 1"},
	{name: "a channel named n", text: "t [s];n [rpm]\n-1;1\n0;2\n1;3\n", want: "n[rpm]1…3 3×1s trigger 1"},
	{name: "a comma that may be either", text: "t [s];P [W]\n0;1,234\n1;2,345\n2;3,456\n", want: "P[W]1.234…3.456 3×1s trigger 0", warns: "thousands"},
	{name: "a point that may be either", text: "t [s];P [W]\n0;1.234\n1;2.345\n2;3.456\n", want: "P[W]1.234…3.456 3×1s trigger 0", warns: "thousands"},
	{name: "a comma told by the dialect", text: "t [s];P [W]\n0;1,234\n1;2,345\n2;3,456\n", dialect: delimited.Dialect{Decimal: "comma"}, want: "P[W]1.234…3.456 3×1s trigger 0"},
	{name: "quoted thousands", text: "\"t [s]\",\"P [W]\"\n\"0\",\"1,234.5\"\n\"1\",\"12,345.5\"\n\"2\",\"999.5\"\n", want: "P[W]1234.5…999.5 3×1s trigger 0"},
	{name: "thousands by spaces", text: "t [ms];P [W]\n0;1 234,5\n1;12 345,5\n2;999,5\n", want: "P[W]1234.5…999.5 3×0.001s trigger 0"},
	{name: "bits", text: "t [ms],run,brake,ok\n-1,TRUE,ON,1\n0,FALSE,ON,1\n1,FALSE,OFF,0\n", want: "run[][run]1…0 brake[][brake]1…0 ok[][ok]1…0 3×0.001s trigger 1"},
	{name: "over range", text: "t [ms],v [V]\n-1,1\n0,OVER\n1,---\n2,OL\n3,2\n4,+inf\n5,3\n", want: "v[V]1…3 7×0.001s trigger 1", warns: "out of range"},
	{name: "quoted, comma", text: "\"t [ms]\";\"v [V]\"\r\n\"-1,5\";\"1,25\"\r\n\"0,0\";\"+2,25\"\r\n\"1,5\";\"-3,25\"", want: "v[V]1.25…-3.25 3×0.0015s trigger 1"},
	{name: "delimiter after samples only", text: "t [ms],v [V]\n-1,1,\n0,2,\n1,3,\n", want: "v[V]1…3 3×0.001s trigger 1"},
	{name: "empty cells of a slower channel", text: "t [ms];fast [A];slow [°C]\n-1;1;20\n0;2;\n1;3;21\n", want: "fast[A]1…3 slow[°C]20…21 3×0.001s trigger 1"},
	// What tells the trigger.
	{name: "trigger text in a column", text: "t [s],v [V],Event\n5,1,\n6,2,TRIGGER\n7,3,\n8,4,\n", want: "v[V]1…4 4×1s trigger 1", warns: "left out"},
	{name: "trigger row", text: "t [s],v [V]\n5,1\n6,2\n*** trigger ***\n7,3\n8,4\n", want: "v[V]1…4 4×1s trigger 2", warns: "remark"},
	{name: "fault in a column", text: "t [s];v [V];Fault code\n-1;1;0\n0;2;F2310\n1;3;F2310\n", want: "v[V]1…3 3×1s trigger 1", fault: "F2310", warns: "left out"},
	// What stands below and beside.
	{name: "footer", text: "t [s];v [V]\n-1;1\n0;2\n1;3\nEnd of data\n", want: "v[V]1…3 3×1s trigger 1"},
	{name: "statistics below", text: "t [s];v [V]\n-1;1\n0;2\n1;3\n\nMin;1\nMax;3\nMean;2\n", want: "v[V]1…3 3×1s trigger 1"},
	{name: "blocks by channel", text: "Channel: speed [rpm]\nSample interval: 1 ms\nTime [ms];Value\n-1;1\n0;2\n1;3\n\nChannel: current [A]\nTime [ms];Value\n-1;4\n0;5\n1;6\n",
		want: "Value[]1…3 3×0.001s trigger 1 | Value[]4…6 3×0.001s trigger 1", warns: ""},
	{name: "old Mac line ends", text: "t [s],v [V]\r-1,1\r0,2\r1,3\r", want: "v[V]1…3 3×1s trigger 1"},
	{name: "old Mac line ends, cut", text: "t [s],v [V],w [V]\r-1,1,2\r0,2,2\r1,3", fails: "ends within a row"},
	// Not finished.
	{name: "names only", text: "t [s],speed [rpm],current [A]\n", fails: "no samples yet"},
	{name: "names and units only", text: "Site: Northquay\nTime;Speed\ns;rpm\n", fails: "no samples yet"},
	{name: "one sample", text: "t [s],speed [rpm]\n0,1\n", fails: "only one sample yet"},
}

func latin(s string) string {
	out, err := charmap.ISO8859_1.NewEncoder().String(s)
	if err != nil {
		panic(err)
	}
	return out
}

func utf16(s string, order unicode.Endianness) string {
	out, err := unicode.UTF16(order, unicode.UseBOM).NewEncoder().String(s)
	if err != nil {
		panic(err)
	}
	return out
}

func TestTools(t *testing.T) {
	for _, c := range tools {
		t.Run(c.name, func(t *testing.T) {
			files := []format.File{{Name: "trip.txt", Bytes: []byte(c.text)}}
			records, err := delimited.Decoder{Dialect: c.dialect}.Decode(context.Background(), files, format.Options{})
			if c.fails != "" {
				if err == nil || !strings.Contains(err.Error(), c.fails) || !errors.Is(err, format.ErrIncomplete) {
					t.Fatalf("%v, want %q", err, c.fails)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			var got, warnings []string
			for _, r := range records {
				got, warnings = append(got, show(r)), append(warnings, r.Warnings...)
			}
			if s := strings.Join(got, " | "); s != c.want {
				t.Errorf("read as %s\nwant    %s", s, c.want)
			}
			if all := fmt.Sprint(warnings); c.warns == "" && len(warnings) > 0 || !strings.Contains(all, c.warns) {
				t.Errorf("warnings %q, want %q", warnings, c.warns)
			}
			if f := records[0].Field("fault"); f != c.fault {
				t.Errorf("fault %q, want %q", f, c.fault)
			}
		})
	}
}
