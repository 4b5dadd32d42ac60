package strict_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/configs/strict"
)

type drive struct {
	Name   string          `yaml:"name"`
	Poll   strict.Duration `yaml:"poll"`
	Unit   uint8           `yaml:"unit"`
	Count  int             `yaml:"count" range:"1..125"`
	Scale  float64         `yaml:"scale"`
	On     bool            `yaml:"on"`
	Allow  []string        `yaml:"allow"`
	Offset *int16          `yaml:"offset"`
	extra  `yaml:",inline"`
}

type extra struct {
	Keep   strict.Size      `yaml:"keep"`
	Values map[int64]string `yaml:"values"`
	Labels map[string]int   `yaml:"labels"`
	Either either           `yaml:"either"`
}

// either is written as a number or as a place.
type either struct {
	Fixed string
	At    uint16 `yaml:"at"`
}

func (e *either) UnmarshalPlain(text string) (string, string) {
	if text == "bad" {
		return "is bad", "write good"
	}
	e.Fixed = text
	return "", ""
}

type file struct {
	Site   string  `yaml:"site"`
	Drives []drive `yaml:"drives"`
}

const good = `
# comment
site: "Northquay"
drives:
  - name: 0012        # text keeps what is written
    poll: 1m30s
    unit: 0xF7
    count: 125
    scale: 1e-3
    on: true
    allow: [page, arm]
    offset: -32768
    keep: 1.5GiB
    values: {0: idle, 0x10: armed, -1: none}
    labels: {a b: 7}
    either: 4096
  - {name: b, either: {at: 65535}}
`

func TestDecodeReadsEveryKindOfField(t *testing.T) {
	offset := int16(-32768)
	want := file{Site: "Northquay", Drives: []drive{{
		Name: "0012", Poll: strict.Duration(90 * time.Second), Unit: 247, Count: 125, Scale: 1e-3, On: true,
		Allow: []string{"page", "arm"}, Offset: &offset,
		extra: extra{Keep: 1536 << 20, Values: map[int64]string{0: "idle", 16: "armed", -1: "none"},
			Labels: map[string]int{"a b": 7}, Either: either{Fixed: "4096"}},
	}, {Name: "b", extra: extra{Either: either{At: 65535}}}}}
	for name, src := range map[string]string{
		"as it is": good, "byte order mark": "\ufeff" + good, "CR LF": strings.ReplaceAll(good, "\n", "\r\n"), "document start": "---\n" + good,
	} {
		var got file
		doc, problems := strict.Decode("f.yaml", []byte(src), &got)
		if len(problems) > 0 {
			t.Fatalf("%s: %v", name, problems)
		}
		if d := cmp.Diff(want, got, cmp.AllowUnexported(drive{})); d != "" {
			t.Errorf("%s: %s", name, d)
		}
		for path, has := range map[string]bool{"site": true, "drives[0].values.16": true, "drives[0].values.0x10": true, "drives[1].poll": false, "drives[2]": false} {
			if doc.Has(path) != has {
				t.Errorf("%s: Has(%s) = %v", name, path, !has)
			}
		}
	}
}

func TestDecodeKeepsDefaults(t *testing.T) {
	got := file{Site: "before"}
	if _, problems := strict.Decode("f", []byte("drives:\n"), &got); len(problems) > 0 || got.Site != "before" {
		t.Errorf("got %v, %v", got, problems)
	}
}

// Each line of a case that ends in "#! text" must give one problem in that
// line whose sentence holds the text; nothing else may be reported.
func TestDecodeReportsEveryProblemWithItsLine(t *testing.T) {
	cases := map[string]string{
		"many at once": `
site: [a]                  #! f:2:7: site: is a list, wanted text
drvies: []                 #! drvies: is not a known key; did you mean drives? (known here: site, drives)
drives:
  - name: a
    poll: fast             #! f:6:11: drives[0].poll: is text ("fast"), wanted a duration
    pol: 1s                #! f:7:5: drives[0].pol: is not a known key; did you mean poll?
    unit: 256              #! drives[0].unit: is 256, wanted 0 to 255
    count: many            #! drives[0].count: is text (many), wanted a whole number
    scale: 1,5             #! is text (1,5), wanted a number; write 1.5
    on: yes                #! is text (yes), wanted true or false; write true
    allow: page            #! is text (page), wanted a list
    offset: -32769         #! is -32769, wanted -32768 to 32767
    keep: 20               #! is 20, a number without a unit; write 20MiB or 20GiB
    values: {x: idle}      #! drives[0].values.x: as a key is text (x), wanted a whole number
    labels: 3              #! is 3, wanted a set of keys
    either: bad            #! is bad; write good
  - poll: 5                #! is 5, a number without a unit; write 5ms or 5s
    keep: 20mb             #! wanted a size; write 20MB
  - poll: -1s              #! is negative
    keep: -1MB             #! is negative
    count: 126             #! is 126, wanted 1 to 125
    unit: 007              #! is 007, which begins with a zero
    offset: "3"            #! is text ("3"), wanted a whole number; leave the quotes out
    either: [1]            #! is a list, wanted a set of keys
    scale: .nan            #! wanted a number
  - poll: 1 s              #! has a space in it; write 1s
    unit: 1.5              #! is 1.5, wanted a whole number
    count: 0x              #! wanted a whole number
    offset: 1Fh            #! write hexadecimal numbers as 0x1F
    keep: 9999999TiB       #! wanted a size
    poll: 1s               #! stands here for the second time; the first is in line 27
    name:                  #! has no value, wanted text
    values: {1: a,
      0x1: b,              #! drives[3].values.1: stands here for the second time
      2: ,                 #! drives[3].values.2: has no value
      }
  -                        #! is an empty list entry
  - unit: {}               #! is a set of keys, wanted a whole number
    poll: {}               #! is a set of keys, wanted one value
    either: {aat: 3}       #! did you mean at?
    count: 99999999999999999999 #! more than 64 bits
`,
		"anchor":     "site: &x a   #! anchor or alias\n",
		"alias":      "site: *x     #! anchor or alias\n",
		"tag":        "site: !!str a #! has a tag\n",
		"merge":      "site: a\n<<: {site: b}  #! merge key\n",
		"tabs":       "drives:\n  - name: a\n\t  unit: 1 #! f:3:1: is indented with a tab; use spaces\n  \tunit: 2 #! f:4:3: is indented with a tab\n",
		"bracket":    "drives: [1, 2   #! \n",
		"quote":      "site: \"abc    #! opens a quote that is never closed\n",
		"no colon":   "site: a\ndrives     #! is not KEY: VALUE\n",
		"reserved":   "site: @a    #! reserves\n",
		"a list":     "- a    #! is a list, wanted a set of keys\n",
		"plain text": "just text #! wanted a set of keys\n",
		"second":     "site: a\n---   #! holds a second document\nsite: b\n",
	}
	for name, src := range cases {
		t.Run(name, func(t *testing.T) {
			var got file
			_, problems := strict.Decode("f", []byte(src), &got)
			byLine := map[int][]string{}
			for _, p := range problems {
				byLine[p.Line] = append(byLine[p.Line], p.Error())
			}
			for i, line := range strings.Split(src, "\n") {
				_, want, marked := strings.Cut(line, "#! ")
				found := byLine[i+1]
				delete(byLine, i+1)
				switch {
				case marked && len(found) != 1, !marked && len(found) > 0:
					t.Errorf("line %d %q: problems %q", i+1, line, found)
				case marked && !strings.Contains(found[0], strings.TrimSpace(want)):
					t.Errorf("line %d:\n got %s\nwant %s", i+1, found[0], want)
				}
			}
			if len(byLine) > 0 {
				t.Errorf("elsewhere: %v", byLine)
			}
		})
	}
}

func TestDecodeRefusesWhatIsNoTextFile(t *testing.T) {
	for src, want := range map[string]string{
		"":                                     "is empty",
		"# only a comment\n":                   "is empty",
		"\xff\xfes\x00":                        "UTF-16",
		"site: a\nx: \xffb\n":                  "f:2:4: has a byte that isn't UTF-8",
		"site: a\x00b\n":                       "f:1:8: has a control character (00h)",
		"a: " + strings.Repeat("[", 40) + "\n": "nested more than 32",
		strings.Repeat("- ", 5000) + "a\n":     "nested more than 32",
		strings.Repeat("\n", 30000):            "30001 lines",
		strings.Repeat("a", 2<<20):             "2097152 bytes",
		nested(40):                             "nested more than 32",
	} {
		var got file
		doc, problems := strict.Decode("f", []byte(src), &got)
		if len(problems) != 1 || !strings.Contains(problems[0].Error(), want) {
			t.Errorf("%.20q: got %v, want %s", src, problems, want)
		}
		if doc.Clean("site") {
			t.Errorf("%.20q: a file that can't be read is called clean", src)
		}
	}
}

func nested(depth int) string {
	var b strings.Builder
	for i := range depth {
		fmt.Fprintf(&b, "%sa:\n", strings.Repeat(" ", i))
	}
	return b.String()
}

func TestManyProblemsAreCutShort(t *testing.T) {
	var src strings.Builder
	for i := range 10_000 {
		fmt.Fprintf(&src, "k%d: 1\n", i)
	}
	begin := time.Now()
	var got file
	_, problems := strict.Decode("f", []byte(src.String()), &got)
	if len(problems) != 101 || problems[100].Line != 0 {
		t.Errorf("%d problems, last %v", len(problems), problems[len(problems)-1])
	}
	if took := time.Since(begin); took > 60*time.Second {
		t.Errorf("took %v", took)
	}
}

func TestDocPlacesLaterProblems(t *testing.T) {
	src := "site: a\ndrives:\n  - name: x\n    values:\n      0x11: y\n    unit: 999\n"
	var got file
	doc, _ := strict.Decode("f", []byte(src), &got)
	for path, want := range map[string][2]int{
		"site":                  {1, 7},
		"drives":                {2, 1},
		"drives[0].name":        {3, 11},
		"drives[0]":             {3, 5},
		"drives[0].values.0x11": {5, 13},
		"drives[0].values.17":   {5, 13},
		"drives[0].values.18":   {4, 5}, // the innermost that is there
		"drives[0].poll":        {3, 5},
		"drives[9].poll":        {2, 1},
		"nowhere":               {0, 0},
	} {
		if p := doc.Problem(path, "t", "h"); p.Line != want[0] || p.Column != want[1] || p.Field != path {
			t.Errorf("%s: at %d:%d, want %v", path, p.Line, p.Column, want)
		}
	}
	if p := doc.KeyProblem("drives[0].name", "t", ""); p.Column != 5 {
		t.Errorf("key at column %d", p.Column)
	}
	for path, clean := range map[string]bool{"drives[0].unit": false, "drives[0]": false, "drives": false, "drives[0].name": true, "site": true} {
		if doc.Clean(path) != clean {
			t.Errorf("Clean(%s) = %v", path, !clean)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte(good))
	f.Add([]byte("site: [a, {b: c}]\ndrives:\n - ? x\n   : y\n"))
	f.Add([]byte("a: &x |\n  b\nc: *x\n<<: !!a {d: e}\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		var got file
		_, problems := strict.Decode("f", src, &got)
		lines := strings.Count(string(src), "\n") + 1
		for i, p := range problems {
			if p.Text == "" || p.Line < 0 || p.Line > lines || p.Line > 0 && p.Column < 1 {
				t.Errorf("problem out of place: %+v", p)
			}
			if i > 0 && p.Line > 0 && p.Line < problems[i-1].Line {
				t.Errorf("problems out of order: %v", problems)
			}
		}
	})
}
