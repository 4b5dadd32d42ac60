package folder_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/folder"
	"faultkeep/store/capture"
	"faultkeep/store/format/formattest"
)

// P1: nothing is taken away before it is kept, and what can't be kept stays.
func TestReleasesOnlyWhatIsKept(t *testing.T) {
	for _, after := range folder.Afters {
		t.Run(after, func(t *testing.T) {
			inTime(t, func(r *rig) {
				r.o.Config.After, r.o.Config.MoveTo = after, r.at("kept")
				var full atomic.Bool
				full.Store(true)
				r.k.Fail = func(op string) error {
					if full.Load() && op == "keep" {
						return errors.New("no room")
					}
					return nil
				}
				r.watch()
				cfg, dat := formattest.WriteSet(rec(2))
				r.write("sub/a.toy", file(1))
				r.write("s.cfg", cfg)
				r.write("s.dat", dat)
				r.write("bad.toy", []byte("toy one"))
				time.Sleep(10 * time.Minute)
				r.haveKept(0)
				if !r.there("sub/a.toy") || !r.there("s.cfg") || !r.there("s.dat") {
					t.Fatal("something is gone that isn't kept")
				}
				if n := len(r.k.Seen(sources.SeenTrouble)); n == 0 || n > 10 {
					t.Errorf("%d troubles told", n)
				}
				full.Store(false)
				r.wantKept(2)
				if r.there("sub/a.toy") != (after == folder.Leave) || r.there("s.cfg") != (after == folder.Leave) || r.there("s.dat") != (after == folder.Leave) {
					t.Error("what is kept wasn't dealt with")
				}
				if after == folder.Move {
					for name, want := range map[string][]byte{"kept/sub/a.toy": file(1), "kept/s.cfg": cfg, "kept/s.dat": dat} {
						if got, err := os.ReadFile(r.at(name)); err != nil || !bytes.Equal(got, want) {
							t.Errorf("%s: %d bytes, %v", name, len(got), err)
						}
					}
				}
				// The same again is known, and dealt with in the same way.
				r.write("again/a.toy", file(1))
				r.wantKept(2)
				if r.there("again/a.toy") != (after == folder.Leave) {
					t.Error("a copy wasn't dealt with")
				}
				time.Sleep(folder.DefaultGiveUp)
				if u := r.k.Unread(); len(u) != 1 || !r.there("bad.toy") {
					t.Errorf("%d unread, there: %v", len(u), r.there("bad.toy"))
				}
				r.restart()
				r.wantKept(2)
				if len(r.k.Unread()) != 1 {
					t.Error("an unread file was taken again")
				}
			})
		})
	}
}

// Whatever takes the place of a file between its keeping and its release stays.
func TestAnotherFileIsNeverTakenAway(t *testing.T) {
	inTime(t, func(r *rig) {
		r.o.Config.After = folder.Delete
		first := true
		r.o.Disk = disk{Disk: folder.OSDisk, take: func(name string) error {
			if first {
				info, err := os.Stat(r.at(name))
				r.must(err)
				r.write(name, file(2))
				r.must(os.Chtimes(r.at(name), info.ModTime(), info.ModTime()))
			}
			first = false
			return nil
		}}
		r.watch()
		r.write("a.toy", file(1))
		time.Sleep(folder.DefaultScan + 3*folder.DefaultSettle) // the first; the other is seen at the next look, if no event tells of it
		kept := r.wantKept(2)
		sameSamples(t, kept[0], 1)
		sameSamples(t, kept[1], 2)
		if left, _ := os.ReadDir(r.path); len(left) != 0 {
			t.Errorf("left: %v", left)
		}
	})
}

// Ended after the keeping and before the release: the release is made up for,
// and what was half out is let go of.
func TestReleaseIsMadeUpFor(t *testing.T) {
	inTime(t, func(r *rig) {
		r.o.Config.After = folder.Delete
		stuck := true
		r.o.Disk = disk{Disk: folder.OSDisk, take: func(name string) error {
			if stuck && strings.HasSuffix(name, ".dat") {
				return errors.New("in use")
			}
			return nil
		}}
		cfg, dat := formattest.WriteSet(rec(1))
		r.write("s.cfg", cfg)
		r.write("s.dat", dat)
		r.watch()
		r.wantKept(1)
		if r.there("s.cfg") || !r.there("s.dat") {
			t.Fatal("the set-up isn't what it should be")
		}
		r.end()
		r.must(os.Rename(r.at("s.dat"), r.at(".faultkeep-s.dat"))) // as a crash in the middle leaves it
		stuck = false
		r.watch()
		time.Sleep(folder.DefaultGiveUp + time.Minute)
		r.haveKept(1)
		if left, _ := os.ReadDir(r.path); len(left) != 0 || len(r.k.Unread()) != 0 {
			t.Errorf("left: %v, unread: %d", left, len(r.k.Unread()))
		}
	})
}

func TestMoveNeverOverwrites(t *testing.T) {
	dir := t.TempDir()
	for i := range 3 {
		b := fmt.Appendf(nil, "content %d", i)
		if err := os.WriteFile(filepath.Join(dir, "a.b.toy"), b, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := folder.OSDisk.Release(dir, "a.b.toy", sum(b), filepath.Join(dir, "to")); err != nil {
			t.Fatal(err)
		}
	}
	for i, name := range []string{"a.b.toy", "a.b (2).toy", "a.b (3).toy"} {
		if b, err := os.ReadFile(filepath.Join(dir, "to", name)); err != nil || string(b) != fmt.Sprint("content ", i) {
			t.Errorf("%s: %q, %v", name, b, err)
		}
	}
}

func TestUnreadAndReadAgain(t *testing.T) {
	inTime(t, func(r *rig) {
		r.o.Config.Format = "other"
		var decodes atomic.Int32
		r.o.Disk = disk{Disk: folder.OSDisk, read: func(string) error { decodes.Add(1); return nil }}
		one := rec(1)
		one.Fields = []string{"fault F07"}
		b := formattest.Write(one)
		r.write("a.toy", b)
		r.watch()
		time.Sleep(folder.DefaultGiveUp - time.Minute)
		if len(r.k.Unread()) > 0 {
			t.Fatal("given up too soon")
		}
		time.Sleep(2 * time.Minute)
		u := r.k.Unread()
		if len(u) != 1 || !bytes.Equal(u[0].Parts["file:a.toy"], b) || !strings.Contains(u[0].Integrity.Why, `read as other`) || u[0].Integrity.Whole || u[0].Wholeness() != "unread" || !u[0].ID.IsUnread() {
			t.Fatalf("unread %+v", u)
		}
		if s := r.k.Seen(sources.SeenKept); len(s) != 1 || !s[0].Partial || s[0].Text != u[0].Integrity.Why {
			t.Errorf("seen %+v", s)
		}
		time.Sleep(24 * time.Hour)
		r.restart()
		time.Sleep(24 * time.Hour)
		if n := decodes.Load(); n > 2 || len(r.k.Unread()) != 1 {
			t.Errorf("read %d times, %d unread", n, len(r.k.Unread()))
		}
		r.end()
		mended := folder.Reader{Config: r.o.Config, Decoders: r.o.Decoders, Again: true}
		mended.Config.Format = folder.Auto
		out, err := mended.Keep(t.Context(), r.k, []folder.File{{Path: "a.toy", Modified: night, Bytes: b}}, nil, time.Now())
		if err != nil || len(out.Kept) != 1 || out.Kept[0].Fault.Shown != "F07" {
			t.Errorf("read again: %+v, %v", out, err)
		}
		sameSamples(t, r.haveKept(1)[0], 1)
		out, err = mended.Keep(t.Context(), r.k, []folder.File{{Path: "b.toy", Modified: night, Bytes: b}}, nil, time.Now())
		if err != nil || len(out.Kept) != 0 || len(out.Known) != 1 {
			t.Errorf("once more: %+v, %v", out, err)
		}
	})
}

// A partner that never comes: what there is is kept, and read once it is complete.
func TestPartnerThatComesLate(t *testing.T) {
	inTime(t, func(r *rig) {
		r.watch()
		cfg, dat := formattest.WriteSet(rec(1))
		r.write("s.dat", dat)
		time.Sleep(folder.DefaultGiveUp + time.Minute)
		if u := r.k.Unread(); len(u) != 1 || !strings.Contains(u[0].Integrity.Why, "ends before its header") {
			t.Fatalf("unread %+v", u)
		}
		r.write("s.cfg", cfg)
		sameSamples(t, r.wantKept(1)[0], 1)
	})
}

func TestSeveralRecordingsInOneFile(t *testing.T) {
	inTime(t, func(r *rig) {
		b := formattest.Write(rec(1), rec(2), rec(3))
		fails := 2
		r.k.Fail = func(op string) error {
			if op != "keep" {
				return nil
			}
			if fails--; fails == 0 {
				return errors.New("no room")
			}
			return nil
		}
		r.watch()
		r.write("three.toy", b)
		kept := r.wantKept(3)
		for i, c := range kept {
			sameSamples(t, c, i+1)
			if !bytes.Equal(c.Parts["file:three.toy"], b) {
				t.Errorf("recording %d has no original", i+1)
			}
			if _, n, of, ok := capture.ParseContentIdentity(c.Provenance.Identity); n != i+1 || of != 3 || !ok {
				t.Errorf("identity %s", c.Provenance.Identity)
			}
		}
		r.restart()
		r.wantKept(3)
	})
}

// The bytes of a file with very many recordings aren't stored with each of them.
func TestManyRecordingsInOneFileStayBounded(t *testing.T) {
	inTime(t, func(r *rig) {
		var list []formattest.Recording
		for n := range 40 {
			one := rec(n)
			one.Warning = strings.Repeat("x", 100_000)
			list = append(list, one)
		}
		b := formattest.Write(list...)
		r.write("many.toy", b)
		r.watch()
		stored := 0
		for i, c := range r.wantKept(40) {
			stored += len(c.Parts["file:many.toy"])
			if has := len(c.Parts) == 1; has != (c.Provenance.Files[0].Part != "") || !has && !strings.Contains(strings.Join(c.Provenance.Warnings, " "), "with the first of them") {
				t.Errorf("capture %d: %v, %v", i, c.Provenance.Files, c.Provenance.Warnings)
			}
		}
		if stored > folder.MostRepeats+len(b) || stored < len(b) {
			t.Errorf("%d bytes of a file of %d are stored", stored, len(b))
		}
	})
}

func TestDecoderThatPanics(t *testing.T) {
	inTime(t, func(r *rig) {
		r.watch()
		r.write("p.toy", []byte("toy 1\npanic\n"))
		r.write("good.toy", file(1))
		time.Sleep(folder.DefaultGiveUp + time.Minute)
		r.haveKept(1)
		if u := r.k.Unread(); len(u) != 1 || !strings.Contains(u[0].Integrity.Why, "break off") {
			t.Errorf("unread %+v", u)
		}
	})
}
