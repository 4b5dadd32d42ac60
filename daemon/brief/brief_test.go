package brief_test

import (
	"encoding/json"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/brief"
	"faultkeep/store/capture"
)

var update = flag.Bool("update", false, "write the golden briefs anew")

// Whole nights, as the technician reads them. The texts are read aloud before
// they become golden.
func TestGolden(t *testing.T) {
	for name, night := range nights {
		t.Run(name, func(t *testing.T) {
			got := night(newPlant(t)).Text()
			path := filepath.Join("testdata", name+".txt")
			if *update {
				if err := os.WriteFile(path, []byte(got), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(string(want), got); d != "" {
				t.Errorf("(-want +got)\n%s", d)
			}
		})
	}
}

// On the page stands what stands in the text, and nothing in it is fetched,
// runs, or came in by a name.
func TestPage(t *testing.T) {
	for name, night := range nights {
		p := newPlant(t)
		if name == "chattering" {
			p.drives[0].Title = `<script>alert(1)</script>` + "\x1b[2J\u202e"
			p.drives[2].Title = `"><img src=x onerror=alert(1)>`
		}
		b := night(p)
		html, err := b.HTML()
		if err != nil {
			t.Fatal(err)
		}
		shown, pictures, in := "", 0, []string{""}
		d := xml.NewDecoder(strings.NewReader(html))
		d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
		for {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(name, err)
			}
			switch n := token.(type) {
			case xml.CharData:
				if tag := in[len(in)-1]; tag != "style" && tag != "title" {
					shown += " " + string(n)
				}
			case xml.EndElement:
				in = in[:len(in)-1]
			case xml.StartElement:
				in = append(in, n.Name.Local)
				if slices.Contains([]string{"script", "img", "link", "iframe", "object", "form", "a"}, n.Name.Local) {
					t.Errorf("%s: a <%s>", name, n.Name.Local)
				}
				if n.Name.Local == "svg" {
					pictures++
				}
				for _, a := range n.Attr {
					if k := a.Name.Local; strings.HasPrefix(k, "on") || k == "src" || k == "style" || k == "href" {
						t.Errorf("%s: <%s %s=%q>", name, n.Name.Local, k, a.Value)
					}
				}
			}
		}
		if strings.Contains(html, "url(") || strings.Contains(html, "@import") || strings.ContainsAny(html, "\x1b\u202e") {
			t.Errorf("%s: the page isn't by itself, or steers what shows it", name)
		}
		if kept := b.Kept + b.Partial; pictures != min(kept, len(trips(b))) || name == "trip" && pictures != 1 {
			t.Errorf("%s: %d pictures of %d captures", name, pictures, kept)
		}
		words := strings.Join(strings.Fields(shown), " ")
		for line := range strings.Lines(b.Text()) {
			line = strings.Join(strings.Fields(line), " ")
			if !strings.Contains(words, line) {
				t.Errorf("%s: %q isn't on the page", name, line)
			}
		}
		if strings.ContainsAny(b.Text(), "\x1b\u202e") {
			t.Errorf("%s: a name steers the terminal", name)
		}
	}
}

func trips(b brief.Brief) (out []brief.Trip) {
	for _, g := range b.Trips {
		for _, one := range g.Trips {
			if one.Capture != "" {
				out = append(out, one)
			}
		}
	}
	return out
}

// JSON says the same as Python reads it, and its lists are lists where they are empty.
func TestJSON(t *testing.T) {
	for name, night := range nights {
		b := night(newPlant(t))
		text, err := b.JSON()
		if err != nil {
			t.Fatal(err)
		}
		var got map[string]any
		if err := json.Unmarshal([]byte(text), &got); err != nil {
			t.Fatal(err)
		}
		for _, list := range []string{"trips", "drives", "now", "races", "repairs", "events", "alerts"} {
			if _, ok := got[list].([]any); !ok {
				t.Errorf("%s: %s is %v", name, list, got[list])
			}
		}
		if n := b.Kept + b.Partial + b.Missed; got["headline"] != b.Headline || got["kept"].(float64)+got["partial"].(float64)+got["missed"].(float64) != float64(n) {
			t.Errorf("%s: %.300s", name, text)
		}
		if quiet := got["quiet"].(bool); quiet != (name == "quiet" || name == "proof") {
			t.Errorf("%s: quiet is %v", name, quiet)
		}
	}
}

// A quiet night isn't called one where somebody wasn't watching.
func TestQuietIsEarned(t *testing.T) {
	for name, x := range map[string]struct {
		from string
		want string
	}{
		"one drive, a while": {"26 05:30", "Nothing happened, and we were watching"},
		"one drive, long":    {"25 12:00", "Nothing was seen, but Loader slew was watched only 25.0 % of the time."},
		"one drive, all":     {"25 06:00", "Nothing was seen, but Loader slew wasn't watched at all."},
	} {
		p := newPlant(t)
		p.blind("loader-slew", x.from, "", capture.CauseUnreachable, "no answer")
		if got := p.brief("25 06:00", "26 06:00"); !strings.HasPrefix(got.Headline, x.want) {
			t.Errorf("%s: %s", name, got.Headline)
		}
	}
	p := newPlant(t) // which began at six on the first of November
	if got := p.brief("1 00:00", "1 16:00"); !strings.HasPrefix(got.Headline, "Nothing happened, and we were watching 100 % of the 10 h that faultkeep knows of.") {
		t.Error(got.Headline)
	}
	p = newPlant(t)
	for _, d := range p.drives {
		p.blind(d.Name, "25 15:00", "", capture.CauseUnreachable, "no answer")
	}
	if got := p.brief("25 06:00", "26 06:00"); !strings.HasPrefix(got.Headline, "Nothing was seen, but we were watching only 37.5 % of the time.") {
		t.Error(got.Headline)
	}
}
