package folder_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"faultkeep/sources/folder"
)

func TestGroups(t *testing.T) {
	for _, c := range []struct {
		files []string
		paths string
		want  string
	}{
		{nil, "a.toy b.toy sub/a.toy", "a.toy|b.toy|sub/a.toy"},
		{nil, "a.cfg a.dat a.hdr A.INF b.dat", "a.cfg a.dat + a.hdr A.INF|b.dat"},
		{nil, "a.csv a.cfg a.dat", "a.cfg a.dat|a.csv"},
		{nil, "x/a.cfg y/a.dat", "x/a.cfg|y/a.dat"},
		{nil, ".a.toy a.toy~ b.TMP c.part Thumbs.db d.toy", "d.toy"},
		{[]string{"*.cfg"}, "a.cfg a.dat b.toy", "a.cfg a.dat"},
		{[]string{"*.TOY"}, "a.toy b.csv", "a.toy"},
		{[]string{"in/*.toy"}, "a.toy in/b.toy in/x/c.toy", "in/b.toy"},
		{[]string{"*"}, "only.hdr", "only.hdr"},
		{[]string{"["}, "a.toy", ""},
	} {
		var got []string
		for _, s := range folder.WantedOf(folder.ByName, c.files, strings.Fields(c.paths)) {
			one := strings.Join(s.Files, " ")
			if len(s.Extra) > 0 {
				one += " + " + strings.Join(s.Extra, " ")
			}
			got = append(got, one)
		}
		if d := cmp.Diff(c.want, strings.Join(got, "|")); d != "" {
			t.Errorf("%q of %q:\n%s", c.files, c.paths, d)
		}
	}
}

func TestWhatIsWrongWithAConfig(t *testing.T) {
	for name, c := range map[string]folder.Config{
		"from":       {From: "yesterday"},
		"expression": {DriveFrom: &folder.From{File: "("}},
		"group":      {DriveFrom: &folder.From{File: "(?P<other>x)"}},
		"nothing":    {FaultFrom: &folder.From{}},
		"match":      {FaultFrom: &folder.From{File: "(?P<fault>x)", Match: "(?P<fault>x)"}},
	} {
		if _, err := folder.New(folder.Options{Config: c}); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
