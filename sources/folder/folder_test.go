package folder_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"faultkeep/sources"
	"faultkeep/sources/folder"
	"faultkeep/store/capture"
	"faultkeep/store/format"
	"faultkeep/store/format/formattest"
)

func TestKeepsWhatAFileSays(t *testing.T) {
	inTime(t, func(r *rig) {
		r.o.Config.DriveFrom = &folder.From{Field: "station", Match: `^Drive (?P<drive>.+)$`}
		r.o.Config.FaultFrom = &folder.From{File: `_f(?P<fault>\w+)\.toy$`}
		one := rec(1)
		one.Fields = []string{"station Drive belt 3", "operator \x00\xff"}
		one.Warning = "Line 3 ends with a space."
		b := formattest.Write(one)
		r.write("shift/trip_f2311.toy", b)
		written := time.Date(2026, 11, 25, 3, 20, 0, 0, time.UTC)
		r.must(os.Chtimes(r.at("shift/trip_f2311.toy"), written, written))
		r.watch()
		c := r.wantKept(1)[0]
		sameSamples(t, c, 1)
		if c.Drive != "belt 3" || c.Title != "" || c.Fault.Code != 2311 || c.Origin != capture.Recorded || !c.Integrity.Whole {
			t.Errorf("drive %q (%s), fault %+v, origin %q, whole %v", c.Drive, c.Title, c.Fault, c.Origin, c.Integrity.Whole)
		}
		if !c.Trigger.Time.Equal(one.Time) || c.Trigger.Index != 20 || c.Timing.Samples != 50 || c.Channels[0].Name != "current" {
			t.Errorf("trigger %+v, timing %+v, channels %+v", c.Trigger, c.Timing, c.Channels)
		}
		p := c.Provenance
		want := []capture.File{{Name: "shift/trip_f2311.toy", Part: "file:trip_f2311.toy", Size: int64(len(b)), Modified: written}}
		if d := cmp.Diff(want, p.Files); d != "" || p.Source != "folder" || p.Folder != "exports" || p.Address != r.at("shift/trip_f2311.toy") {
			t.Errorf("provenance %+v\n%s", p, d)
		}
		sum := sha256.Sum256(b)
		if p.Identity != "sha256:"+hex.EncodeToString(sum[:]) {
			t.Errorf("identity %s", p.Identity)
		}
		if d := cmp.Diff([]string{"Line 3 ends with a space."}, p.Warnings); d != "" {
			t.Error(d)
		}
		if !bytes.Equal(c.Parts["file:trip_f2311.toy"], b) {
			t.Error("the file's bytes aren't kept as they were")
		}
		if d := cmp.Diff([]capture.Setting{{Name: "station", Value: "Drive belt 3", OK: true}, {Name: "operator", Value: `\x00\xFF`, OK: true}}, c.Settings); d != "" {
			t.Error(d)
		}
		kept := r.k.Seen(sources.SeenKept)
		if len(kept) != 1 || kept[0].ID != c.ID || kept[0].Drive != "belt 3" || kept[0].Partial {
			t.Errorf("seen %+v", kept)
		}
		if seen := r.k.Seen(sources.SeenWatched); len(seen) != 1 || seen[0].Drive != "exports" {
			t.Errorf("seen %+v", seen)
		}
		r.wantKept(1)
	})
}

// A file is taken only when it stopped changing and is all there, however
// slowly it grows and however long its writer pauses.
func TestWaitsForASlowWriter(t *testing.T) {
	inTime(t, func(r *rig) {
		r.watch()
		b := file(1)
		f, err := os.Create(r.at("slow.toy"))
		r.must(err)
		for i, c := range b {
			_, err := f.Write([]byte{c})
			r.must(err)
			pause := 700 * time.Millisecond
			if i%40 == 39 {
				pause = time.Minute // longer than it takes to settle: half a file lies still
			}
			time.Sleep(pause)
			if len(r.k.Kept()) > 0 && i < len(b)-1 {
				t.Fatalf("kept after %d of %d bytes", i+1, len(b))
			}
		}
		r.must(f.Close())
		sameSamples(t, r.wantKept(1)[0], 1)
		if n := len(r.k.Unread()); n > 0 {
			t.Errorf("%d unread", n)
		}
	})
}

// loose reads a number a line and can't tell whether more should come.
type loose struct{}

func (loose) Name() string { return "loose" }

func (loose) Sniff([]format.File) bool { return true }

func (loose) Decode(_ context.Context, files []format.File, _ format.Options) ([]format.Record, error) {
	var s capture.Series
	for line := range strings.Lines(string(files[0].Bytes)) {
		v, err := strconv.ParseFloat(strings.TrimSpace(line), 64)
		if err != nil {
			return nil, err
		}
		s = append(s, v)
	}
	return []format.Record{{Channels: []capture.Channel{{Name: "x"}}, Series: []capture.Series{s}, Timing: capture.Timing{Samples: len(s), Interval: 1}}}, nil
}

// Of a format that doesn't tell how long a file is, quiet alone tells its end:
// pauses shorter than settle: don't make a recording of half a file. After a
// longer one the rest makes another capture.
func TestQuietIsTheEndOfAFormatWithoutOne(t *testing.T) {
	inTime(t, func(r *rig) {
		r.o.Decoders = []format.Decoder{loose{}}
		r.watch()
		line := func(i int) { // and no longer open: on Windows that alone would keep it from being read
			f, err := os.OpenFile(r.at("a.txt"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
			r.must(err)
			_, err = fmt.Fprintln(f, i)
			r.must(errors.Join(err, f.Close()))
		}
		for i := range 30 {
			line(i)
			time.Sleep(folder.DefaultSettle - 100*time.Millisecond)
		}
		if c := r.wantKept(1)[0]; c.Timing.Samples != 30 {
			t.Errorf("%d samples", c.Timing.Samples)
		}
		line(30)
		if c := r.wantKept(2)[1]; c.Timing.Samples != 31 {
			t.Errorf("%d samples", c.Timing.Samples)
		}
	})
}

// Files of a set wait for each other, whatever the case of their names.
func TestSetsAreKeptAsOne(t *testing.T) {
	inTime(t, func(r *rig) {
		r.o.Config.Files = []string{"*.cfg"}
		r.watch()
		cfg, dat := formattest.WriteSet(rec(1))
		r.write("a/TRIP.CFG", cfg)
		time.Sleep(5 * time.Minute)
		r.haveKept(0)
		r.write("a/trip.dat", dat)
		r.write("a/Trip.hdr", []byte("a comment"))
		c := r.wantKept(1)[0]
		sameSamples(t, c, 1)
		if len(c.Parts) != 3 || !bytes.Equal(c.Parts["file:TRIP.CFG"], cfg) || !bytes.Equal(c.Parts["file:trip.dat"], dat) || string(c.Parts["file:Trip.hdr"]) != "a comment" {
			t.Errorf("parts %v", c.Provenance.Files)
		}
		// A comment that comes late is no second recording; nor are copies with other names.
		r.write("a/Trip.inf", []byte("late"))
		r.write("b/x.cfg", cfg)
		r.write("b/x.dat", dat)
		r.wantKept(1)
		// Neither name wins where the file system knows both.
		if runtime.GOOS == "linux" {
			c2, d2 := formattest.WriteSet(rec(2))
			c3, d3 := formattest.WriteSet(rec(3))
			r.write("n.cfg", c2)
			r.write("n.dat", d2)
			r.write("N.cfg", c3)
			r.write("N.dat", d3)
			r.wantKept(3)
		}
		if n := len(r.k.Unread()); n > 0 {
			t.Errorf("%d unread", n)
		}
	})
}

// A tool that writes every export over the last one, or puts it in place by a
// rename.
func TestReplacedAndRenamedFiles(t *testing.T) {
	inTime(t, func(r *rig) {
		r.watch()
		for n := 1; n <= 3; n++ {
			r.write("last.toy", file(n)) // the same length each time
			sameSamples(t, r.wantKept(n)[n-1], n)
		}
		r.write(".hidden.toy", file(4))
		r.write("new.toy.tmp", file(5))
		r.wantKept(3)
		r.must(os.Rename(r.at("new.toy.tmp"), r.at("last.toy")))
		sameSamples(t, r.wantKept(4)[3], 5)
		r.must(os.Rename(r.at("last.toy"), r.at("renamed.toy"))) // the same recording
		r.wantKept(4)
		// Replaced by one of the same size and the same time of writing.
		info, err := os.Stat(r.at("renamed.toy"))
		r.must(err)
		r.write("x.tmp", file(6))
		r.must(os.Chtimes(r.at("x.tmp"), info.ModTime(), info.ModTime()))
		r.must(os.Rename(r.at("x.tmp"), r.at("renamed.toy")))
		sameSamples(t, r.wantKept(5)[4], 6)
	})
}

func TestRemovedOrChangedWhileItIsRead(t *testing.T) {
	inTime(t, func(r *rig) {
		var step atomic.Int32
		r.o.Disk = disk{Disk: folder.OSDisk, read: func(name string) error {
			switch step.Add(1) {
			case 1:
				_ = os.Remove(r.at("a.toy"))
			case 2:
				r.write("a.toy", file(2)) // between the listing and the reading
			}
			return nil
		}}
		r.watch()
		r.write("a.toy", file(1))
		r.wantKept(0)
		r.write("a.toy", file(1))
		sameSamples(t, r.wantKept(1)[0], 2)
		if len(r.k.Unread()) > 0 || len(r.k.Seen(sources.SeenTrouble)) > 0 {
			t.Errorf("%v", r.k.Seen())
		}
		if n := step.Load(); n < 3 {
			t.Errorf("read %d times", n)
		}
	})
}

func TestNamesInAnyEncoding(t *testing.T) {
	inTime(t, func(r *rig) {
		r.watch()
		names := []string{"Förderband.toy", "Fo\u0308rderband.toy", "ベルト.toy", "with space & 'quotes'.toy", "[x].toy", "a;b.toy"}
		if runtime.GOOS != "windows" {
			names = append(names, "[x]*?.toy")
		}
		if runtime.GOOS == "linux" {
			names = append(names, "F\xf6rderband.toy", "line\nend.toy", "\xff\xfe.toy", strings.Repeat("n", 250)+".toy")
		}
		for i, name := range names {
			r.write(name, file(i))
		}
		kept := r.wantKept(len(names))
		for _, c := range kept {
			for part := range c.Parts {
				if part != folder.Shown(part) || len(part) > 150 {
					t.Errorf("part %q", part)
				}
			}
			if f := c.Provenance.Files[0]; f.Name != folder.Shown(f.Name) || strings.Contains(f.Name, "\n") {
				t.Errorf("file %q", f.Name)
			}
		}
		r.restart()
		r.wantKept(len(names))
	})
	if got := folder.Shown("F\xf6rder\nband"); got != `F\xF6rder\x0Aband` {
		t.Errorf("shown as %q", got)
	}
}

func TestTheSameRecordingIsKeptOnce(t *testing.T) {
	inTime(t, func(r *rig) {
		r.watch()
		r.write("a.toy", file(1))
		r.wantKept(1)
		r.write("b/copy of a.toy", file(1))
		r.wantKept(1)
		r.end()
		r.k.files = map[string]map[string]string{} // all that is remembered of files is lost
		r.watch()
		r.must(os.Chtimes(r.at("a.toy"), night, night))
		r.wantKept(1)
		r.write("c.zip", zipOf(t, "x.toy", file(1), "y.toy", file(2)))
		r.wantKept(2)
	})
}

// Times of files may be anything and go anywhere: what counts is whether they change.
func TestClocksThatJump(t *testing.T) {
	inTime(t, func(r *rig) {
		r.watch()
		for i, at := range []time.Time{time.Unix(0, 0), time.Date(2037, 12, 31, 0, 0, 0, 0, time.UTC), time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC), time.Now().Add(1000 * time.Hour)} {
			name := fmt.Sprintf("%d.toy", i)
			one := rec(i)
			one.Time = time.Time{} // the file's time must do
			r.write(name, formattest.Write(one))
			r.must(os.Chtimes(r.at(name), at, at))
			c := r.wantKept(i + 1)[i]
			if len(c.Provenance.Warnings) != 1 || !strings.Contains(c.Provenance.Warnings[0], "last written") {
				t.Errorf("%v", c.Provenance.Warnings)
			}
			if i < 2 && !c.Trigger.Time.Equal(at) {
				t.Errorf("trigger %s, file %s", c.Trigger.Time, at)
			}
		}
		r.must(os.Chtimes(r.at("1.toy"), night, night))
		r.wantKept(4)
	})
}

// The system's notices only shorten the wait; this is in real time, since they are.
func TestNoticesShortenTheWait(t *testing.T) {
	r := newRig(t, t.TempDir())
	r.o.Notices = true
	r.o.Config.Scan = strict1h
	r.o.Config.Settle = strict300ms
	r.watch()
	defer r.end()
	for deadline := time.Now().Add(20 * time.Second); len(r.k.Seen(sources.SeenWatched)) == 0 && time.Now().Before(deadline); {
		time.Sleep(20 * time.Millisecond)
	}
	time.Sleep(300 * time.Millisecond)
	r.write("a.toy", file(1))
	for deadline := time.Now().Add(20 * time.Second); len(r.k.Kept()) == 0 && time.Now().Before(deadline); {
		time.Sleep(20 * time.Millisecond)
	}
	r.haveKept(1)
}

const (
	strict1h    = 3600_000_000_000
	strict300ms = 300_000_000
)

// Nothing but a plain file is read, and nothing outside the folder.
func TestOddThingsInAFolder(t *testing.T) {
	link := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink("elsewhere", link); err != nil {
		t.Skip(err)
	} else if _, err := os.Readlink(link); err != nil {
		t.Skip("links are none here: ", err)
	}
	inTime(t, func(r *rig) {
		r.write("real.toy", file(1))
		r.must(os.MkdirAll(r.at("folder.toy/inner"), 0o750))
		r.must(os.Symlink(r.path, r.at("folder.toy/circle")))
		r.must(os.Symlink(r.at("nowhere"), r.at("dangling.toy")))
		outside := filepath.Join(t.TempDir(), "linked")
		r.must(os.WriteFile(outside, file(2), 0o600))
		r.must(os.Symlink(outside, r.at("linked.toy")))
		makePipe(t, r.at("pipe.toy"))
		r.watch()
		r.wantKept(2)
		sub := false
		r.o.Config.Subfolders = &sub
		r.write("folder.toy/inner/x.toy", file(3))
		r.restart()
		r.wantKept(2)
	})
}
