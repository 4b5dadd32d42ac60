package store_test

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// filled is the path of a closed store with some of everything, and what was kept.
func filled(t *testing.T) (path string, kept map[capture.ID][]byte) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "faultkeep.db")
	s := must[*store.Store](t)(open(path))
	kept = map[capture.ID][]byte{}
	for n := range 6 {
		c, data := storetest.Recording("elevator", n, 4, 500+400*n)
		d := must[*store.Draft](t)(s.Draft(ctx, c))
		if n%2 == 0 {
			if err := d.Append(ctx, storetest.Chunk(data, 100, 2000), storetest.Chunk(data, 3000, 4000)); err != nil {
				t.Fatal(err)
			}
		}
		must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, len(data))))
		kept[c.ID] = data
	}
	c, data := storetest.Recording("slew", 50, 4, 500)
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	for _, err := range []error{
		d.Append(ctx, storetest.Chunk(data, 0, 3000)),
		s.Miss(ctx, capture.Miss{Time: at(1), Drive: "belt", Fault: overcurrent, Cause: capture.CauseReset}, capture.Alarm),
		s.Blind(ctx, "belt", at(2), at(3), capture.CauseUnreachable, "no answer"),
		s.Watched(ctx, "elevator", at(3)),
		s.SetVisit(ctx, "page", at(4)),
		s.SetAside(ctx, "log", 1, "refused"),
		s.Close(),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return path, kept
}

// flipIn flips the first byte of want where it lies in the file.
func flipIn(t *testing.T, path string, want []byte) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	i := bytes.Index(b, want)
	if i < 0 {
		t.Fatalf("%q isn't in the file", want)
	}
	for ; i >= 0; i = index(b, want, i+1) {
		storetest.Flip(t, path, int64(i))
	}
}

func index(b, want []byte, from int) int {
	if i := bytes.Index(b[from:], want); i >= 0 {
		return from + i
	}
	return -1
}

func TestVerifyNamesWhatIsDamaged(t *testing.T) {
	c, data := storetest.Recording("elevator", 3, 4, 1700)
	draft, draftData := storetest.Recording("slew", 50, 4, 500)
	for name, x := range map[string]struct {
		flip []byte
		id   capture.ID
		says string
	}{
		"a chunk":          {data[5000:5040], c.ID, "Capture " + string(c.ID) + " is damaged: the chunk at byte 0 of part \"data\" doesn't match its checksum."},
		"its last byte":    {data[len(data)-20:], c.ID, "Capture " + string(c.ID) + " is damaged"},
		"its description":  {[]byte(`"identity":"recording 3"`), c.ID, "its description doesn't match its checksum"},
		"a draft's chunk":  {draftData[1000:1040], draft.ID, "Draft " + string(draft.ID) + " is damaged"},
		"a draft":          {[]byte(`"identity":"recording 50"`), draft.ID, "Draft " + string(draft.ID) + " is damaged"},
		"a miss":           {[]byte(`"cause":"reset before it was read"`), "", "An entry of the list of misses is damaged"},
		"a spell":          {[]byte(`"text":"no answer"`), "", "An entry of the list of blind spells is damaged"},
		"an outbox entry":  {[]byte(`"seq":3,`), "", "A message in the outbox is damaged"},
		"a set-aside one":  {[]byte(`"last_error":"refused"`), "", "A message in the alerts set aside is damaged"},
		"the ledger":       {[]byte(`"kind":"missed"`), "", "An entry of the ledger is damaged"},
		"the sign of life": {[]byte(`"drives":["belt"`), "", "The last sign of life is damaged"},
	} {
		t.Run(name, func(t *testing.T) {
			path, _ := filled(t)
			storetest.Check(t, path)
			flipIn(t, path, x.flip)
			report, err := storetest.Verify(path)
			if err != nil {
				t.Fatal(err)
			}
			if len(report.Problems) != 1 || report.Problems[0].Capture != x.id || !strings.Contains(report.Problems[0].Text, x.says) {
				t.Errorf("report %+v\nwant one problem of %q: %s", report.Problems, x.id, x.says)
			}
		})
	}
}

// One byte inverted anywhere: nothing panics or hangs, no wrong byte is ever
// handed out, and what is handed out less is reported.
func TestAnyFlippedByte(t *testing.T) {
	path, kept := filled(t)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	used := usedPart(t, path)
	rounds := 400
	if testing.Short() {
		rounds = 60
	}
	r := rand.New(rand.NewPCG(3, 1))
	noticed := 0
	for i := range rounds {
		where := r.Int64N(used)
		if i%2 == 0 {
			where = where&^4095 + r.Int64N(200) // page headers and their elements
		}
		p := filepath.Join(t.TempDir(), "faultkeep.db")
		if err := os.WriteFile(p, whole[:used], 0o600); err != nil {
			t.Fatal(err)
		}
		storetest.Flip(t, p, where)
		report, err := storetest.Verify(p)
		if err != nil && !errors.Is(err, store.ErrDamaged) {
			t.Fatalf("byte %d: %v", where, err)
		}
		clean := err == nil && report.OK()
		if !clean {
			noticed++
		}
		s, err := open(p)
		if err != nil {
			t.Fatalf("byte %d: a store opened for writing: %v", where, err)
		}
		lost := 0
		for id, data := range kept {
			got, have, err := s.Original(ctx, id, capture.Data)
			switch {
			case err != nil:
				lost++
			case !bytes.Equal(got, data) || len(have) != 1:
				t.Fatalf("byte %d: %s reads wrongly", where, id)
			}
		}
		list := must[[]capture.Capture](t)(s.Captures(ctx, store.Query{}))
		if clean && (lost > 0 || len(list) != len(kept)) {
			t.Errorf("byte %d: verified, and %d captures can't be read and %d of %d are listed", where, lost, len(list), len(kept))
		}
		done := make(chan struct{})
		go func() {
			defer close(done)
			for n := 100; n < 102; n++ { // what is damaged may cost one try
				c, data := storetest.Recording("fan", n, 1, 50)
				if d, err := s.Draft(ctx, c); err == nil {
					_, _ = d.Keep(ctx, c, storetest.Chunk(data, 0, len(data)))
				}
			}
			_ = s.Close()
		}()
		select {
		case <-done:
		case <-time.After(20 * time.Second):
			t.Fatalf("byte %d: writing hangs", where)
		}
	}
	t.Logf("%d of %d flipped bytes noticed; the others lay in pages no longer used", noticed, rounds)
	if noticed < rounds/4 {
		t.Errorf("only %d of %d noticed", noticed, rounds)
	}
}

// A chunk that can't be found under its name any more isn't passed over: the
// capture says that it is damaged, instead of handing out less than was kept.
func TestChunkUnderAnotherName(t *testing.T) {
	path, kept := filled(t)
	db, err := bolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	renamed := 0
	err = db.Update(func(tx *bolt.Tx) error {
		return tx.Bucket([]byte("chunks")).ForEachBucket(func(k []byte) error {
			b := tx.Bucket([]byte("chunks")).Bucket(k)
			if key, v := b.Cursor().Seek([]byte("data\x00")); bytes.HasPrefix(key, []byte("data\x00")) {
				renamed++
				other := append([]byte("dat\x9e"), key[4:]...)
				v = bytes.Clone(v)
				return errors.Join(b.Delete(bytes.Clone(key)), b.Put(other, v))
			}
			return nil
		})
	})
	if err = errors.Join(err, db.Close()); err != nil || renamed < len(kept) {
		t.Fatal(err, renamed)
	}
	s := must[*store.Store](t)(open(path))
	defer s.Close()
	for id := range kept {
		if got, have, err := s.Original(ctx, id, capture.Data); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("%s hands out %d bytes, have %v, %v", id, len(got), have, err)
		}
	}
}

// usedPart is the length of the file up to bbolt's high-water mark.
func usedPart(t *testing.T, path string) int64 {
	t.Helper()
	s := must[*store.Store](t)(open(path, readOnly))
	defer s.Close()
	return must[store.Stats](t)(s.Stats(ctx)).Size
}

// Cut short anywhere: set aside or, where only reserve is lost, as before.
func TestAnyTruncation(t *testing.T) {
	path, kept := filled(t)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	used := usedPart(t, path)
	for size := int64(0); size <= used+8192; size += 4096 - size%3 {
		p := filepath.Join(t.TempDir(), "faultkeep.db")
		if err := os.WriteFile(p, whole[:min(size, int64(len(whole)))], 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := open(p)
		if err != nil {
			t.Fatalf("%d bytes: %v", size, err)
		}
		list := must[[]capture.Capture](t)(s.Captures(ctx, store.Query{}))
		if aside := len(s.Damaged()) == 1; aside != (size < used) || aside != (len(list) == 0) || !aside && len(list) != len(kept) {
			t.Errorf("%d of %d bytes: set aside %v, %d captures", size, used, aside, len(list))
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		storetest.Check(t, p)
	}
}

// A capture that turned bad while the drive still holds its recording is read again.
func TestDamagedCaptureIsReadAgain(t *testing.T) {
	path, _ := filled(t)
	c, data := storetest.Recording("elevator", 3, 4, 1700)
	flipIn(t, path, data[5000:5040])
	s := must[*store.Store](t)(open(path))
	defer s.Close()
	d, err := s.Draft(ctx, c)
	if err != nil {
		t.Fatal(err)
	}
	must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, len(data))))
	if original, _, err := s.Original(ctx, c.ID, capture.Data); err != nil || !bytes.Equal(original, data) {
		t.Errorf("original differs (%v)", err)
	}
	if report := must[store.Report](t)(s.Verify(ctx, nil)); !report.OK() {
		t.Errorf("verify:\n%s", report)
	}
	if entries := must[[]store.Entry](t)(s.Ledger(ctx, store.Query{Kinds: []string{store.KindTrouble}})); len(entries) != 1 || entries[0].Capture != c.ID {
		t.Errorf("ledger: %+v", entries)
	}
}
