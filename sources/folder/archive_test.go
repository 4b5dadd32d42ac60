package folder_test

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/folder"
	"faultkeep/store/format"
	"faultkeep/store/format/formattest"
)

// zipOf packs names and their contents.
func zipOf(t testing.TB, pairs ...any) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for i := 0; i < len(pairs); i += 2 {
		w, err := z.CreateHeader(&zip.FileHeader{Name: pairs[i].(string), Method: zip.Deflate, Modified: night})
		if err == nil {
			_, err = w.Write(pairs[i+1].([]byte))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestArchivesAreRead(t *testing.T) {
	inTime(t, func(r *rig) {
		r.o.Config.DriveFrom = &folder.From{File: `(?P<drive>[a-z]+)\.zip/`}
		cfg, dat := formattest.WriteSet(rec(2))
		b := zipOf(t, "in/one.toy", file(1), `sub\two.CFG`, cfg, `sub\two.dat`, dat, "readme.txt", []byte("notes"), "half.toy", file(3)[:80])
		r.watch()
		r.write("belt.zip", b[:len(b)/2])
		time.Sleep(time.Minute)
		r.haveKept(0)
		r.write("belt.zip", b)
		kept := r.wantKept(2)
		if len(r.k.Unread()) != 1 {
			t.Fatalf("%d unread", len(r.k.Unread()))
		}
		half := r.k.Unread()[0]
		if half.Drive != "belt" || !strings.Contains(half.Integrity.Why, "half.toy") || !strings.HasSuffix(half.Provenance.Address, "belt.zip!half.toy") ||
			!bytes.Equal(half.Parts["file:half.toy"], file(3)[:80]) {
			t.Errorf("unread %+v", half.Capture)
		}
		notes := 0
		for _, c := range append(kept, half) {
			if c.Drive != "belt" {
				t.Errorf("%s is of %q", c.ID, c.Drive)
			}
			if string(c.Parts["file:readme.txt"]) == "notes" {
				notes++
			}
		}
		if notes != 1 {
			t.Errorf("the note is kept %d times", notes)
		}
		r.wantKept(2)
	})
}

// An archive is never trusted: an error says what it is, and memory stays bounded.
func TestHostileArchives(t *testing.T) {
	zeros := make([]byte, 1<<20)
	bomb := func() []byte {
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		for i := range folder.MostArchive>>20 + 2 {
			w, err := z.Create(fmt.Sprint(i, ".toy"))
			if err == nil {
				_, err = w.Write(zeros)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}()
	if len(bomb) > 2<<20 {
		t.Fatalf("the bomb has %d bytes", len(bomb))
	}
	many := func() []byte {
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		for i := range folder.MostMembers + 1 {
			if _, err := z.Create(fmt.Sprint(i)); err != nil {
				t.Fatal(err)
			}
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}()
	locked := func() []byte {
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		w, err := z.CreateRaw(&zip.FileHeader{Name: "a.toy", Flags: 1, Method: zip.Store, CompressedSize64: 4, UncompressedSize64: 4})
		if err == nil {
			_, err = w.Write([]byte("abcd"))
		}
		if err != nil || z.Close() != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}()
	damaged := bytes.Clone(zipOf(t, "a.toy", bytes.Repeat([]byte("0123456789"), 100)))
	damaged[bytes.Index(damaged, []byte("PK\x07\x08"))-5] ^= 0xff
	good := zipOf(t, "a.toy", file(1))
	for _, c := range []struct {
		name       string
		b          []byte
		want       string
		incomplete bool
	}{
		{"a bomb", bomb, "more than the 256 MiB", false},
		{"many files", many, "holds 10001 files", false},
		{"a password", locked, "protected by a password", false},
		{"upwards", zipOf(t, "../../etc/x.toy", file(1)), "leads out of the archive", false},
		{"upwards in the middle", zipOf(t, "a/../../x.toy", file(1)), "leads out of the archive", false},
		{"absolute", zipOf(t, "/etc/x.toy", file(1)), "leads out of the archive", false},
		{"a drive letter", zipOf(t, `C:\x.toy`, file(1)), "leads out of the archive", false},
		{"backslashes", zipOf(t, `..\x.toy`, file(1)), "leads out of the archive", false},
		{"twice", zipOf(t, "a.toy", file(1), "./a.toy", file(2)), "two files called", false},
		{"damage", damaged, "can't be unpacked", false},
		{"nothing", zipOf(t), "is an empty archive", false},
		{"half", good[:len(good)-30], "can't be read as a zip archive", true},
		{"no zip", []byte("hello"), "can't be read as a zip archive", true},
		{"empty", nil, "can't be read as a zip archive", true},
	} {
		_, err := folder.Unpack(folder.File{Path: "x.zip", Bytes: c.b}, nil)
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "x.zip: ") {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
		if got := errors.Is(err, format.ErrIncomplete); got != c.incomplete {
			t.Errorf("%s: incomplete %v", c.name, got)
		}
	}
}

func TestArchiveThatCannotBeReadIsKeptWhole(t *testing.T) {
	inTime(t, func(r *rig) {
		r.watch()
		trick := zipOf(t, "../x.toy", file(1))
		r.write("trick.zip", trick)
		strange := zipOf(t, "x.pdf", []byte("pdf"))
		r.write("strange.zip", strange)
		time.Sleep(folder.DefaultGiveUp + time.Minute)
		r.haveKept(0)
		if u := r.k.Unread(); len(u) != 2 || !bytes.Equal(u[0].Parts["file:strange.zip"], strange) && !bytes.Equal(u[1].Parts["file:strange.zip"], strange) {
			t.Errorf("unread %+v", u)
		}
		if n := len(r.k.Seen(sources.SeenKept)); n != 2 {
			t.Errorf("told of %d", n)
		}
	})
}

func FuzzUnpack(f *testing.F) {
	f.Add(zipOf(f, "a.toy", file(1), "b/c.dat", []byte("x")))
	f.Add(zipOf(f, "../x", []byte("x")))
	f.Add([]byte("PK\x05\x06"))
	f.Fuzz(func(t *testing.T, b []byte) {
		files, err := folder.Unpack(folder.File{Path: "x.zip", Bytes: b}, time.UTC)
		if (err == nil) == (len(files) == 0) {
			t.Fatalf("%d files, %v", len(files), err)
		}
		total := 0
		for _, one := range files {
			total += len(one.Bytes)
			if strings.HasPrefix(one.Path, "/") || strings.Contains("/"+one.Path+"/", "/../") {
				t.Fatalf("path %q", one.Path)
			}
		}
		if total > folder.MostArchive {
			t.Fatalf("%d bytes", total)
		}
	})
}
