package daemon_test

import (
	"archive/zip"
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/sources/folder"
	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/format/formattest"
)

var storeQuery store.Query

// TestFolderStorm lets writers fill a folder in every way that exporting tools
// have, slowly, by renames, over one another, and dying in the middle, while
// the daemon is killed with SIGKILL and started again. Afterwards every
// recording whose file was finished and stayed is kept exactly once with the
// file's own bytes, none is half, nothing was taken away that isn't kept, and
// the store is whole.
func TestFolderStorm(t *testing.T) {
	for i := range *stormRounds {
		seed := *stormSeed + uint64(i)
		t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) { folderStorm(t, seed) })
	}
}

// number is the recording that a capture is of, which its fault code tells.
func number(c capture.Capture) int {
	n, _ := strconv.Atoi(c.Fault.Shown)
	return n - 1000
}

// writer is one exporting tool with a folder of its own.
type writer struct {
	t    *testing.T
	dir  string
	dice *rand.Rand
	n    int // of the next recording
	done map[int]bool
	made map[int][][]byte // the files of each recording
	half [][]byte         // what was never finished
	end  time.Time
}

func folderStorm(t *testing.T, seed uint64) {
	dice := rand.New(rand.NewPCG(seed, 7))
	after := folder.Afters[seed%3]
	settings := "from: all, after: " + after
	if after == folder.Move {
		settings += ", move_to: exports/kept"
	}
	p, dir := exports(t, settings)
	kill := p.process(t)
	end := time.Now().Add(8 * time.Second)
	var writers []*writer
	var all sync.WaitGroup
	for i := range 4 {
		w := &writer{t: t, dir: filepath.Join(dir, fmt.Sprint("tool", i)), dice: rand.New(rand.NewPCG(seed, 100+uint64(i))), n: 1000 * i,
			done: map[int]bool{}, made: map[int][][]byte{}, end: end}
		writers = append(writers, w)
		if err := os.Mkdir(w.dir, 0o750); err != nil {
			t.Fatal(err)
		}
		all.Go(w.run)
	}
	kills := 0
	for time.Now().Before(end) {
		time.Sleep(time.Duration(200+dice.IntN(2000)) * time.Millisecond)
		kill()
		kills++
		time.Sleep(time.Duration(dice.IntN(500)) * time.Millisecond)
		kill = p.process(t)
	}
	all.Wait()
	want := map[int]*writer{}
	made := map[int]*writer{}
	for _, w := range writers {
		for n := range w.made {
			made[n] = w
			if w.done[n] {
				want[n] = w
			}
		}
	}
	var kept []capture.Capture
	eventually(t, "everything is kept", func() bool {
		a, err := archive.Open(t.Context(), p.data)
		if err != nil {
			return false
		}
		defer a.Close()
		kept, err = a.Captures(t.Context(), archive.Query{})
		have := map[int]bool{}
		for _, c := range kept {
			have[number(c)] = true
		}
		for n := range want {
			if !have[n] {
				return false
			}
		}
		return err == nil
	})
	eventually(t, "what was never finished is kept unread", func() bool { return halvesKept(t, p, writers) })
	time.Sleep(2 * time.Second) // what is to be taken away is
	kill()
	a, err := archive.Open(t.Context(), p.data)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	if kept, err = a.Captures(t.Context(), archive.Query{}); err != nil {
		t.Fatal(err)
	}
	have := map[int]bool{}
	for _, c := range kept {
		n := number(c)
		w := made[n]
		if w == nil {
			t.Errorf("%s is of no file that was written", c.ID)
			continue
		}
		if have[n] {
			t.Errorf("recording %d is kept twice", n)
		}
		have[n] = true
		w.same(t, a, c, n)
	}
	for n := range want {
		if !have[n] {
			t.Errorf("recording %d is lost", n)
		}
	}
	unread, err := a.Captures(t.Context(), archive.Query{Unread: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range unread {
		for _, part := range c.Integrity.Parts {
			b, _, err := a.Original(t.Context(), c.ID, part.Name)
			if err != nil || !slices.ContainsFunc(writers, func(w *writer) bool { return w.wrote(b) }) {
				t.Errorf("%s %s holds what nobody wrote, %v", c.ID, part.Name, err)
			}
		}
	}
	left := leftOver(t, dir)
	for name, b := range left {
		for n, w := range want {
			if after != folder.Leave && !strings.Contains(name, "kept") && slices.ContainsFunc(w.made[n], func(m []byte) bool { return bytes.Equal(m, b) }) {
				t.Errorf("%s of recording %d is kept and still there", name, n)
			}
		}
	}
	t.Logf("after: %s; %d kills, %d recordings written, %d finished and left there, %d kept, %d unread, %d files left", after, kills, len(made), len(want), len(kept), len(unread), len(left))
	_ = a.Close()
	p.verify(t)
}

// halvesKept tells whether the bytes of every file whose writer died are kept.
func halvesKept(t *testing.T, p *plant, writers []*writer) bool {
	a, err := archive.Open(t.Context(), p.data)
	if err != nil {
		return false
	}
	defer a.Close()
	unread, err := a.Captures(t.Context(), archive.Query{Unread: true})
	if err != nil {
		return false
	}
	have := map[string]bool{}
	for _, c := range unread {
		for _, part := range c.Integrity.Parts {
			b, _, err := a.Original(t.Context(), c.ID, part.Name)
			if err != nil {
				return false
			}
			have[string(b)] = true
		}
	}
	for _, w := range writers {
		for _, half := range w.half {
			if !have[string(half)] {
				return false
			}
		}
	}
	return true
}

func (w *writer) run() {
	for time.Now().Before(w.end) {
		w.n++
		name := filepath.Join(w.dir, fmt.Sprintf("trip%d.toy", w.n))
		b := formattest.Write(toy(w.n))
		switch w.dice.IntN(8) {
		case 0: // slowly
			w.made[w.n] = [][]byte{b}
			w.done[w.n] = w.slowly(name, b, len(b))
		case 1: // into place
			w.made[w.n] = [][]byte{b}
			w.put(name+".tmp", b)
			w.pause(100)
			w.check(os.Rename(name+".tmp", name))
			w.done[w.n] = true
		case 2: // over the last one, which may not be kept yet
			w.made[w.n] = [][]byte{b}
			w.put(filepath.Join(w.dir, "last.toy"), b)
		case 3: // dies in the middle
			half := 1 + w.dice.IntN(len(b)-2)
			w.half = append(w.half, b[:half])
			w.slowly(name, b, half)
		case 4: // two files, the second later
			cfg, dat := formattest.WriteSet(toy(w.n))
			w.made[w.n] = [][]byte{cfg, dat}
			base := strings.TrimSuffix(name, ".toy")
			w.put(base+".CFG", cfg)
			w.pause(900)
			w.slowly(base+".dat", dat, len(dat))
			w.done[w.n] = true
		case 5: // an archive with two recordings
			c := formattest.Write(toy(w.n + 500))
			w.made[w.n], w.made[w.n+500] = [][]byte{b}, [][]byte{c}
			w.slowly(name+".zip", zipped(w.t, b, c), -1)
			w.done[w.n], w.done[w.n+500] = true, true
		case 6: // twice under two names
			w.made[w.n] = [][]byte{b}
			w.put(name, b)
			w.put(strings.TrimSuffix(name, ".toy")+" copy.toy", b)
			w.done[w.n] = true
		default: // at once, with a time of long ago
			w.made[w.n] = [][]byte{b}
			w.put(name, b)
			old := time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC)
			_ = os.Chtimes(name, old, old) // it may be gone already
			w.done[w.n] = true
		}
		w.pause(400)
	}
}

func (w *writer) check(err error) {
	if err != nil {
		w.t.Error(err)
	}
}

func (w *writer) put(name string, b []byte) { w.check(os.WriteFile(name, b, 0o600)) }

func (w *writer) pause(most int) { time.Sleep(time.Duration(w.dice.IntN(most)) * time.Millisecond) }

// slowly writes the first bytes in pieces, with pauses in which the file lies still.
func (w *writer) slowly(name string, b []byte, first int) bool {
	if first < 0 {
		first = len(b)
	}
	f, err := os.Create(name)
	w.check(err)
	defer f.Close()
	for at := 0; at < first; {
		n := min(1+w.dice.IntN(600), first-at)
		_, err := f.Write(b[at : at+n])
		w.check(err)
		at += n
		if at < first {
			w.pause(800)
		}
	}
	return true
}

// wrote tells whether the bytes are what this writer had in a file at some time.
func (w *writer) wrote(b []byte) bool {
	isPart := func(whole []byte) bool { return bytes.HasPrefix(whole, b) }
	for _, files := range w.made {
		if slices.ContainsFunc(files, isPart) {
			return true
		}
	}
	return slices.ContainsFunc(w.half, isPart) || bytes.HasPrefix(b, []byte("PK"))
}

// same holds a capture against what was written.
func (w *writer) same(t *testing.T, a archive.Archive, c capture.Capture, n int) {
	t.Helper()
	_, series, err := a.Samples(t.Context(), c.ID)
	if err != nil || !c.Integrity.Whole || !slices.Equal(series[0], capture.Series(toy(n).Samples)) {
		t.Errorf("%s isn't recording %d: %v", c.ID, n, err)
	}
	for _, want := range w.made[n] {
		found := false
		for _, part := range c.Integrity.Parts {
			b, _, err := a.Original(t.Context(), c.ID, part.Name)
			found = found || err == nil && bytes.Equal(b, want)
		}
		if !found {
			t.Errorf("%s lacks a file's own bytes", c.ID)
		}
	}
}

func zipped(t *testing.T, files ...[]byte) []byte {
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for i, b := range files {
		f, err := z.Create(fmt.Sprint(i, ".toy"))
		if err == nil {
			_, err = f.Write(b)
		}
		if err != nil {
			t.Error(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Error(err)
	}
	return out.Bytes()
}

// leftOver are the files that are still in the folder.
func leftOver(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		out[p], err = os.ReadFile(p)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}
