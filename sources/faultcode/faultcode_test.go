package faultcode_test

import (
	"fmt"
	"strings"
	"testing"

	"faultkeep/configs"
	"faultkeep/sources/faultcode"
	"faultkeep/store/capture"
)

func standard(t *testing.T) *faultcode.Table {
	t.Helper()
	src, err := configs.Faults("iec61800-7-201")
	if err != nil {
		t.Fatal(err)
	}
	table, problems := faultcode.Parse("iec61800-7-201.yaml", src)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	return table
}

// The codes of IEC 61800-7-201 (object 603Fh), as two independent public
// headers list them.
const known = `1000-10FF
2110 2120-2123 2130-2133 2211-2214 2220-2222 2230 2240 2250 2310-2312 2320 2330-2333 2340-2343 2350 2351
3110-3113 3120-3123 3130-3134 3140-3142 3210-3212 3220-3222 3230 3310-3313 3320 3321 3330 3331
4110 4120 4130 4140 4210 4220 4300 4310 4320 4400 4410 4420
5100 5110-5113 5120 5200 5210 5220 5300 5400 5410 5420 5430 5440-5445 5450-5459 5500 5510 5520 5530
6010 6301-630F 6310 6320
7100 7110-7113 7120-7123 7200 7300-7307 7310 7320 7400 7500 7510 7520 7600
8110 8120 8130 8140 8150 8210 8220 8300 8311-8313 8321 8331 8400 8500 8600 8611 8612 8700 8800 8900 8A00
9000-90FF F001-F004 FF00-FFFF`

func TestStandardTableHasEveryCodeAndNoOther(t *testing.T) {
	want := map[uint32]bool{}
	for _, word := range strings.Fields(known) {
		from, to, isRange := strings.Cut(word, "-")
		if !isRange {
			to = from
		}
		var first, last uint32
		fmt.Sscanf(from+" "+to, "%x %x", &first, &last)
		for code := first; code <= last; code++ {
			want[code] = true
		}
	}
	table := standard(t)
	for code := uint32(0); code <= 0x1FFFF; code++ {
		fault, found := table.Lookup(code)
		if found != want[code] {
			t.Errorf("%04X: found %v", code, found)
		}
		if !found {
			continue
		}
		// The class is the code's first digit.
		class := map[uint32]capture.Class{1: capture.ClassGeneric, 2: capture.ClassCurrent, 3: capture.ClassVoltage, 4: capture.ClassTemperature,
			5: capture.ClassHardware, 6: capture.ClassSoftware, 7: capture.ClassModules, 8: capture.ClassMonitoring, 9: capture.ClassExternal, 15: capture.ClassSpecific}[code>>12]
		severity := capture.Alarm
		if code == 0x2351 {
			severity = capture.Warning
		}
		if fault.Code != code || fault.Shown != fmt.Sprintf("%04X", code) || fault.Name == "" || fault.Class != class || fault.Severity != severity || fault.Table != "iec61800-7-201" {
			t.Errorf("%04X: %+v", code, fault)
		}
	}
}

func TestStandardTableInWords(t *testing.T) {
	tables := faultcode.Tables{standard(t)}
	for code, want := range map[uint32]string{
		0x2311: "Continuous overcurrent, output 1 (2311)",
		0x3221: "DC link undervoltage 1 (3221)",
		0x2341: "Short circuit, motor phases U to V (2341)",
		0x3134: "Mains phase sequence wrong (3134)",
		0x7305: "Incremental encoder 1 fault (7305)",
		0x7121: "Motor blocked (7121)",
		0x8611: "Following error (8611)",
		0x630A: "Data record 10 (630A)",
		0x5112: "Low-voltage supply, 24 V (5112)",
		0xF002: "Sub-synchronous run (F002)",
		0xFF17: "Manufacturer-specific fault (FF17)",
		0x4242: "Unknown fault (4242)",
		0x0017: "Unknown fault (0017)",
		0:      "Fault without a code",
	} {
		if got := tables.Lookup(code).String(); got != want {
			t.Errorf("%04X is %q, want %q", code, got, want)
		}
	}
}

const mine = `
name: elevator
shown: prefix
prefix: F
digits: 2
codes:
  7: Motor blocked
  20-29: {name: Brake, class: hardware}
  0x19: {name: Brake worn, severity: info}   # 25, an exception to the range
  0x2311: Our own word
`

func TestTablesAreLookedUpInOrder(t *testing.T) {
	table, problems := faultcode.Parse("elevator.yaml", []byte(mine))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	both := faultcode.Tables{table, standard(t)}
	for code, want := range map[uint32]capture.Fault{
		7:      {Code: 7, Shown: "F07", Name: "Motor blocked", Class: capture.ClassSpecific, Severity: capture.Alarm, Table: "elevator"},
		20:     {Code: 20, Shown: "F20", Name: "Brake", Class: capture.ClassHardware, Severity: capture.Alarm, Table: "elevator"},
		29:     {Code: 29, Shown: "F29", Name: "Brake", Class: capture.ClassHardware, Severity: capture.Alarm, Table: "elevator"},
		25:     {Code: 25, Shown: "F25", Name: "Brake worn", Class: capture.ClassSpecific, Severity: capture.Info, Table: "elevator"},
		30:     {Code: 30, Shown: "F30", Class: capture.ClassUnknown, Severity: capture.Alarm},
		0x2311: {Code: 0x2311, Shown: "F8977", Name: "Our own word", Class: capture.ClassSpecific, Severity: capture.Alarm, Table: "elevator"},
		0x2312: {Code: 0x2312, Shown: "2312", Name: "Continuous overcurrent, output 2", Class: capture.ClassCurrent, Severity: capture.Alarm, Table: "iec61800-7-201"},
		0:      {},
	} {
		if got := both.Lookup(code); got != want {
			t.Errorf("%d: %+v, want %+v", code, got, want)
		}
	}
	if got := (faultcode.Tables{}).Lookup(17); got.Shown != "17" || got.Name != "" {
		t.Errorf("without tables: %+v", got)
	}
}

func TestParseReportsEveryProblem(t *testing.T) {
	src := `shown: hexx      #! did you mean hex4?
digits: 99               #! wanted 1 to 10
codes:                   
  17: a
  0x11: b                #! codes.0x11: names a code that 17 names too
  0: nothing             #! is code 0, which means that there is no fault
  10-20: c
  20-30: d               #! names a code that 10-20 names too
  9-8: e                 #! ends before it begins; write 8-9
  F7: f                  #! as a code is text (F7)
  4294967296: g          #! wanted 1 to 4294967295
  -3: h                  #! wanted a whole number
  40: {class: voltage}   #! codes.40.name: is missing
  41: {name: i, class: voltgae}     #! did you mean voltage?
  42: {name: j, severity: alram}    #! did you mean alarm?
  43:                    #! has no value
  44: {nam: k}           #! did you mean name?
  45: [a]                #! is a list
`
	_, problems := faultcode.Parse("f", []byte(src))
	byLine := map[int][]string{}
	for _, p := range problems {
		byLine[p.Line] = append(byLine[p.Line], p.Error())
	}
	if got := byLine[0]; len(got) != 1 || got[0] != "f: name: is missing; name the drive model or the standard that the codes are of" {
		t.Errorf("as a whole: %q", got)
	}
	for i, line := range strings.Split(src, "\n") {
		_, want, marked := strings.Cut(line, "#! ")
		found := byLine[i+1]
		if marked && (len(found) != 1 || !strings.Contains(found[0], want)) || !marked && len(found) > 0 {
			t.Errorf("line %d: %q, want %q", i+1, found, want)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(mine), uint32(7))
	f.Fuzz(func(t *testing.T, src []byte, code uint32) {
		table, problems := faultcode.Parse("f", src)
		if len(problems) > 0 {
			return
		}
		fault := faultcode.Tables{table}.Lookup(code)
		if fault.Code != code || code != 0 && fault.Shown == "" {
			t.Errorf("%d: %+v", code, fault)
		}
	})
}

// What the guide shows must work.
func TestExampleOfTheGuide(t *testing.T) {
	guide, err := configs.FS.ReadFile("faults/README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(guide), "```yaml\n")
	src, _, _ := strings.Cut(rest, "```")
	table, problems := faultcode.Parse("README.md", []byte(src))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	if got := (faultcode.Tables{table}).Lookup(7).String(); got != "Motor blocked (F07)" {
		t.Error(got)
	}
}
