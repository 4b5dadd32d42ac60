package carry_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/daemon/carry"
	"faultkeep/daemon/export"
	"faultkeep/sources/sourcetest"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

var ctx = context.Background()

var errDamaged = errors.New("its bytes don't match their checksums")

// plant is captures that are kept somewhere.
type plant struct {
	captures []capture.Capture // newest first
	records  map[capture.ID]export.Record
	damaged  map[capture.ID]bool
	asked    int
	hours    int // since the first carry
}

func newPlant(n, samples int) *plant {
	p := &plant{records: map[capture.ID]export.Record{}, damaged: map[capture.ID]bool{}}
	p.add(0, n, samples)
	return p
}

// add keeps recordings from, up to and without to.
func (p *plant) add(from, to, samples int) {
	for n := from; n < to; n++ {
		c, data := storetest.Recording([]string{"elevator", "belt"}[n%2], n, 3, samples)
		c.Site = "Northquay"
		c.Kept = c.Trigger.Time.Add(time.Second)
		c.Integrity.Parts = []capture.Part{{Name: capture.Data, Size: int64(len(data))}}
		series, err := c.Encoding.Decode(data, []capture.Range{{End: int64(len(data))}})
		if err != nil {
			panic(err)
		}
		p.captures = append([]capture.Capture{c}, p.captures...)
		p.records[c.ID] = export.Record{Capture: c, Series: series, Original: data, Study: capture.Study{Version: 1,
			Findings: []capture.Finding{{Kind: capture.FindingFirstMover, Text: fmt.Sprintf("Current rose first, %d ms before the trip.", n)}}}}
	}
}

func (p *plant) options(to string) carry.Options {
	return carry.Options{To: to, Site: "Northquay", Captures: p.captures, Skip: func(err error) bool { return errors.Is(err, errDamaged) },
		Now: func() time.Time { return storetest.Night.Add(time.Duration(8+p.hours) * time.Hour) },
		Record: func(_ context.Context, id capture.ID) (export.Record, error) {
			p.asked++
			if p.damaged[id] {
				return export.Record{}, errDamaged
			}
			return p.records[id], nil
		}}
}

func run(t testing.TB, o carry.Options) carry.Done {
	t.Helper()
	done, err := carry.Run(ctx, o)
	if err != nil {
		t.Fatal(err)
	}
	return done
}

// sound lets GNU sha256sum check a stick, and unzip -t every bundle on it, and
// gives the number of bundles. Files without a name of their own don't count,
// but with tidy none may be there.
func sound(t testing.TB, stick string, tidy bool) int {
	t.Helper()
	if _, err := os.Stat(filepath.Join(stick, carry.SumsFile)); err == nil {
		cmd := exec.Command(sourcetest.Need(t, "sha256sum"), "--check", "--strict", "--quiet", carry.SumsFile)
		cmd.Dir = stick
		if out, err := cmd.CombinedOutput(); err != nil && !bytes.Contains(out, []byte("no properly formatted")) {
			t.Errorf("sha256sum: %v\n%s", err, out)
		}
	} else if tidy {
		t.Error(err)
	}
	n := 0
	err := filepath.WalkDir(stick, func(path string, d os.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case strings.HasSuffix(path, ".part"):
			if tidy {
				t.Errorf("%s is left", path)
			}
		case filepath.Ext(path) == ".zip":
			n++
			if out, err := exec.Command(sourcetest.Need(t, "unzip"), "-tqq", path).CombinedOutput(); err != nil {
				t.Errorf("%s: %v\n%s", path, err, out)
			}
		case filepath.Ext(path) == ".svg" || filepath.Ext(path) == ".html":
			b, err := os.ReadFile(path)
			if err != nil || !bytes.HasSuffix(bytes.TrimSpace(b), []byte(map[string]string{".svg": "</svg>", ".html": "</html>"}[filepath.Ext(path)])) {
				t.Errorf("%s is half: %v", path, err)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// Only what is new to the stick is carried; each stick has its own memory.
func TestCarriesWhatIsNew(t *testing.T) {
	p := newPlant(5, 200)
	one, other := filepath.Join(t.TempDir(), "stick"), t.TempDir()
	done := run(t, p.options(one))
	if len(done.Carried) != 5 || done.There != 0 || done.Captures != 5 || done.Carried[0].Capture != p.captures[0].ID || sound(t, one, true) != 5 {
		t.Errorf("the first time: %+v", done)
	}
	p.add(5, 7, 200)
	if err := os.WriteFile(filepath.Join(one, "captures", ".faultkeep-killed.zip.part"), []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	p.asked, p.hours = 0, 24
	if done = run(t, p.options(one)); len(done.Carried) != 2 || done.There != 5 || done.Captures != 7 || p.asked != 2 || sound(t, one, true) != 7 {
		t.Errorf("two more: %+v, asked for %d", done, p.asked)
	}
	b, err := os.ReadFile(filepath.Join(one, carry.IndexFile))
	if err != nil || strings.Count(string(b), `class="new"`) != 2 {
		t.Errorf("the index marks %d as new, %v", strings.Count(string(b), `class="new"`), err)
	}
	if done = run(t, p.options(one)); len(done.Carried) != 0 || done.There != 7 {
		t.Errorf("nothing more: %+v", done)
	}
	if done = run(t, p.options(other)); len(done.Carried) != 7 || sound(t, other, true) != 7 {
		t.Errorf("another stick: %+v", done)
	}

	// Bundles that somebody took off the stick stay off, unless all is asked for.
	taken := filepath.Join(one, filepath.FromSlash(done.Carried[3].File))
	if err := os.Remove(taken); err != nil {
		t.Fatal(err)
	}
	if done = run(t, p.options(one)); len(done.Carried) != 0 || done.Taken != 1 || done.There != 6 || sound(t, one, true) != 6 {
		t.Errorf("one taken off: %+v", done)
	}
	o := p.options(one)
	o.All = true
	if done = run(t, o); len(done.Carried) != 1 || sound(t, one, true) != 7 {
		t.Errorf("all: %+v", done)
	}

	// What is damaged on the stick is written anew.
	storetest.Flip(t, taken, 100)
	if done = run(t, p.options(one)); len(done.Carried) != 1 || len(done.Damaged) != 1 || done.Captures != 7 || sound(t, one, true) != 7 {
		t.Errorf("one damaged: %+v", done)
	}
	// What retention has dropped since stays on the stick and in its index.
	o = p.options(one)
	o.Captures = nil
	if done = run(t, o); len(done.Carried) != 0 || done.Captures != 7 || sound(t, one, true) != 7 {
		t.Errorf("none kept any more: %+v", done)
	}
}

// The index leads to every file by relative links, tells the finding, runs
// nothing and fetches nothing.
func TestIndex(t *testing.T) {
	p := newPlant(3, 200)
	hostile := p.records[p.captures[0].ID]
	hostile.Capture.Title = "<script>alert(1)</script>\x1b[2J\u202e"
	p.records[p.captures[0].ID] = hostile
	dir := t.TempDir()
	done := run(t, p.options(dir))
	b, err := os.ReadFile(done.Index)
	if err != nil {
		t.Fatal(err)
	}
	page := string(b)
	for _, wrong := range []string{"<script", "http:", "https:", "url(", "@import", "\x1b", "\u202e", "ZgotmplZ"} {
		if strings.Contains(page, wrong) {
			t.Errorf("the index holds %q", wrong)
		}
	}
	for i, one := range p.captures {
		for _, want := range []string{`href="captures/` + string(one.ID) + `.zip"`, `src="pictures/` + string(one.ID) + `.svg"`,
			fmt.Sprintf("Current rose first, %d ms before the trip.", 2-i), one.Fault.String()} {
			if !strings.Contains(page, want) {
				t.Errorf("the index lacks %q", want)
			}
		}
	}
	for _, quoted := range strings.Split(page, `f="`)[1:] { // of href
		if name, _, _ := strings.Cut(quoted, `"`); !filepath.IsLocal(name) {
			t.Errorf("a link to %q", name)
		} else if _, err := os.Stat(filepath.Join(dir, name)); err != nil {
			t.Error(err)
		}
	}
}

// A capture that is damaged in the store doesn't hold up the others.
func TestDamagedCaptureIsLeft(t *testing.T) {
	p := newPlant(4, 200)
	p.damaged[p.captures[1].ID] = true
	dir := t.TempDir()
	done := run(t, p.options(dir))
	if len(done.Carried) != 3 || len(done.Left) != 1 || done.Left[0].Capture != p.captures[1].ID || sound(t, dir, true) != 3 {
		t.Errorf("%+v", done)
	}
}

// A stick that gives back other bytes than were written is found out, and no
// file of it gets its name.
func TestStickThatLies(t *testing.T) {
	p := newPlant(2, 200)
	dir := t.TempDir()
	lying := p.options(dir).ReadingBy(func(name string) (io.ReadCloser, error) {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			return nil, err
		}
		b[len(b)/2] ^= 1
		return io.NopCloser(bytes.NewReader(b)), nil
	})
	if _, err := carry.Run(ctx, lying); err == nil || !strings.Contains(err.Error(), "what was read back isn't what was written") {
		t.Fatal(err)
	}
	if n := sound(t, dir, false); n != 0 {
		t.Errorf("%d bundles have names", n)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*", ".*")); len(left) > 0 {
		t.Errorf("%q are left", left)
	}
}

// Too little room is said before anything is written.
func TestNoRoomIsSaidFirst(t *testing.T) {
	p := newPlant(3, 5000)
	dir := t.TempDir()
	o := p.options(dir)
	o.Free = func(string) (int64, error) { return 100 << 10, nil }
	_, err := carry.Run(ctx, o)
	if err == nil || !strings.Contains(err.Error(), "the 3 captures to carry may need up to") || !strings.Contains(err.Error(), dir+" has 100 KiB left. Free some space, take another stick, or carry fewer with --since") {
		t.Fatal(err)
	}
	if n := sound(t, dir, false); n != 0 || p.asked > 0 {
		t.Errorf("%d bundles, %d asked for", n, p.asked)
	}
	nowhere := p.options(filepath.Join(dir, "not", "mounted"))
	if _, err := carry.Run(ctx, nowhere); err == nil || !strings.Contains(err.Error(), "plugged in") {
		t.Error(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "file"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := carry.Run(ctx, p.options(filepath.Join(dir, "file"))); err == nil || !strings.Contains(err.Error(), "is a file") {
		t.Error(err)
	}
}

// A stick that fills up in the middle holds whole files only; with more room
// the carry goes on where it was.
func TestFullStick(t *testing.T) {
	p := newPlant(20, 2000)
	stick := storetest.SmallVolume(t, 2<<20)
	ballast := filepath.Join(stick, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 1500<<10), 0o600); err != nil {
		t.Fatal(err)
	}
	done, err := carry.Run(ctx, p.options(stick))
	if err == nil || !strings.Contains(err.Error(), "no space left") || !strings.Contains(err.Error(), "of 20 captures are on it whole; the same command goes on with the rest") {
		t.Fatal(err)
	}
	if left, _ := filepath.Glob(filepath.Join(stick, "*", ".*")); len(left) > 0 {
		t.Errorf("%q take room", left)
	}
	first := len(done.Carried)
	if n := sound(t, stick, false); n < first || first == 0 || first == 20 {
		t.Errorf("%d carried, %d bundles", first, n)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	p.captures = p.captures[:first+4] // what there is room for
	if done = run(t, p.options(stick)); done.There != first || len(done.Carried) != 4 || sound(t, stick, true) != first+4 {
		t.Errorf("%d there, %d carried", done.There, len(done.Carried))
	}
}

// What is asked for beforehand is enough, and not far too much for recordings
// of the usual size.
func TestEstimate(t *testing.T) {
	for _, samples := range []int{1, 50, 400, 4096, 30000} {
		p := newPlant(1, samples)
		done := run(t, p.options(t.TempDir()))
		t.Logf("%d samples of 3 channels: %d estimated, %d written", samples, carry.Estimate(p.captures[0]), done.Bytes)
		if need := carry.Estimate(p.captures[0]); need < done.Bytes || samples >= 4096 && need > 3*done.Bytes {
			t.Errorf("%d samples: %d estimated, %d written", samples, need, done.Bytes)
		}
	}
}

// The log may be cut short, or hold what somebody put there.
func TestStrangeLog(t *testing.T) {
	p := newPlant(3, 200)
	dir := t.TempDir()
	run(t, p.options(dir))
	path := filepath.Join(dir, "faultkeep-carry.jsonl")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := slices.Collect(bytes.Lines(b))
	strange := slices.Concat(lines[0], []byte("{}\nnonsense\n"), bytes.Replace(lines[1], []byte("captures/"), []byte("../../captures/"), 1), lines[2][:len(lines[2])/2])
	if err := os.WriteFile(path, strange, 0o600); err != nil {
		t.Fatal(err)
	}
	done := run(t, p.options(dir))
	if len(done.Carried) != 2 || done.There != 1 || sound(t, dir, true) != 3 {
		t.Errorf("%+v", done)
	}
	if d := cmp.Diff(3, run(t, p.options(dir)).There); d != "" {
		t.Errorf("and again: %s", d)
	}
}

// A link that somebody put on the stick leads nothing out of it.
func TestLinksOnTheStick(t *testing.T) {
	p := newPlant(2, 200)
	outside := t.TempDir()
	theirs := filepath.Join(outside, "theirs")
	if err := os.WriteFile(theirs, []byte("theirs"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, to := range map[string]string{"captures": outside, "pictures": outside, "faultkeep-carry.jsonl": theirs} {
		dir := t.TempDir()
		if err := os.Symlink(to, filepath.Join(dir, name)); err != nil {
			t.Skip(err)
		}
		if _, err := os.Readlink(filepath.Join(dir, name)); err != nil {
			t.Skip("links are none here: ", err)
		}
		if _, err := carry.Run(ctx, p.options(dir)); err == nil {
			t.Errorf("%s: nothing is said", name)
		}
	}
	// What has its own name is replaced, not followed.
	dir := t.TempDir()
	run(t, p.options(dir))
	for _, name := range []string{"index.html", "SHA256SUMS", "captures/" + string(p.captures[0].ID) + ".zip", "captures/.faultkeep-" + string(p.captures[0].ID) + ".zip.part"} {
		path := filepath.Join(dir, name)
		_ = os.Remove(path)
		if err := os.Symlink(theirs, path); err != nil {
			t.Fatal(err)
		}
	}
	if done := run(t, p.options(dir)); len(done.Carried) != 1 || sound(t, dir, true) != 2 {
		t.Errorf("%+v", done)
	}
	if b, err := os.ReadFile(theirs); string(b) != "theirs" || err != nil {
		t.Errorf("their file says %.20q, %v", b, err)
	}
	if left, _ := os.ReadDir(outside); len(left) != 1 {
		t.Errorf("%v lie outside", left)
	}
}
