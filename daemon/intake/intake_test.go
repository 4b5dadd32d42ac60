package intake_test

import (
	"archive/zip"
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"faultkeep/daemon/archive"
	"faultkeep/daemon/intake"
	"faultkeep/sources/folder"
	"faultkeep/store/capture"
	"faultkeep/store/format"
	"faultkeep/store/format/formattest"
	"faultkeep/store/storetest"
)

var ctx = context.Background()

func recording(n int) formattest.Recording {
	return formattest.Recording{Samples: []float64{float64(n), 1, 2}, Trigger: 1, Time: time.Date(2026, 11, 25, 3, n, 0, 0, time.UTC)}
}

func zipped(t *testing.T, files map[string][]byte) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, content := range files {
		w, err := z.Create(name)
		if err == nil {
			_, err = w.Write(content)
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

// keepUnread puts a folder's file into the store as a watch does that can't read it.
func keepUnread(t *testing.T, in archive.Intake, name string, b []byte) {
	t.Helper()
	blind := folder.Reader{Config: folder.Config{Name: "exports", Drive: "slew"}, Root: "/srv/exports"}
	c, err := blind.KeepUnread(ctx, intake.Keeper(in), []folder.File{{Path: name, Modified: time.Now(), Bytes: b}}, nil, time.Now(), os.ErrInvalid)
	if err != nil || c.Origin != capture.Unread {
		t.Fatal(c, err)
	}
}

// An archive that couldn't be read leaves the list once all that is in it is
// kept, and counts as a file of its folder when whose it is is told by its name.
func TestRereadOfAnArchive(t *testing.T) {
	data := t.TempDir()
	in, err := archive.ToTake(ctx, data, "Northquay")
	if err != nil {
		t.Fatal(err)
	}
	bad := formattest.Write(recording(3))
	keepUnread(t, in, "belt.zip", zipped(t, map[string][]byte{"a.toy": formattest.Write(recording(1)), "b.toy": formattest.Write(recording(2)), "c.toy": bad[:20]}))
	reread := func(decoders ...format.Decoder) (results []intake.Result) {
		t.Helper()
		list, err := in.Captures(ctx, archive.Query{Unread: true})
		if err != nil {
			t.Fatal(err)
		}
		err = intake.Reread(ctx, in, list, func(capture.Capture) folder.Reader {
			return folder.Reader{Config: folder.Config{Name: "exports", DriveFrom: &folder.From{File: `(?P<drive>\w+)\.zip/`}}, Decoders: decoders}
		}, func(r intake.Result, _, _ int) { results = append(results, r) })
		if err != nil {
			t.Fatal(err)
		}
		return results
	}
	if r := reread(); len(r) != 1 || !strings.Contains(r[0].Error, "belt.zip") || len(r[0].Kept) > 0 {
		t.Errorf("without a format: %+v", r)
	}
	r := reread(formattest.Toy{})
	if len(r) != 1 || r[0].Error != "" || len(r[0].Kept) != 3 {
		t.Fatalf("%+v", r)
	}
	for _, c := range r[0].Captures {
		if c.Drive != "belt" || !strings.HasPrefix(filepath.ToSlash(c.Provenance.Address), "/srv/exports/belt.zip!") {
			t.Errorf("%s is of %s, from %s", c.ID, c.Drive, c.Provenance.Address)
		}
	}
	// Of what was in it the broken file is left, by itself, and can be tried again.
	r = reread(formattest.Toy{})
	if len(r) != 1 || !strings.Contains(r[0].Error, "c.toy") || len(r[0].Kept) > 0 {
		t.Errorf("%+v", r)
	}
	if err := in.Close(); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, filepath.Join(data, archive.StoreFile))
}

// A file that is imported is read even if the folder's watch had kept it unread.
func TestImportOfWhatWasUnread(t *testing.T) {
	data := t.TempDir()
	in, err := archive.ToTake(ctx, data, "Northquay")
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	b := formattest.Write(recording(1))
	keepUnread(t, in, "a.toy", b)
	name := filepath.Join(t.TempDir(), "copy.toy")
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
	for round, want := range []int{1, 0} {
		err = intake.Import(ctx, in, folder.Reader{Config: folder.Config{Drive: "x"}, Decoders: []format.Decoder{formattest.Toy{}}}, []string{name, name},
			func(r intake.Result, _, total int) {
				if len(r.Kept) != want || len(r.Known) != 1-want || total != 1 || r.Error != "" {
					t.Errorf("round %d: %+v", round, r)
				}
			})
		if err != nil {
			t.Fatal(err)
		}
	}
	if list, err := in.Captures(ctx, archive.Query{Unread: true}); err != nil || len(list) > 0 {
		t.Errorf("%d unread, %v", len(list), err)
	}
}
