package store_test

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

var ctx = context.Background()

func must[T any](t testing.TB) func(T, error) T {
	t.Helper()
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func reopen(t testing.TB, s *store.Store, opts ...storetest.Option) *store.Store {
	t.Helper()
	path := s.Path()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return storetest.New(t, append([]storetest.Option{storetest.At(path)}, opts...)...)
}

func TestDraftGoesOnAfterReopening(t *testing.T) {
	s := storetest.New(t)
	c, data := storetest.Recording("elevator", 1, 8, 1000)
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	if err := d.Append(ctx, storetest.Chunk(data, 4000, 8000)); err != nil {
		t.Fatal(err)
	}
	s = reopen(t, s)
	// After the restart the trigger time is estimated anew, so the ID differs.
	again := c
	again.Trigger.Time = again.Trigger.Time.Add(3e8)
	again.ID = capture.NewID(again.Trigger.Time, again.Drive, again.Provenance.Identity)
	d = must[*store.Draft](t)(s.Draft(ctx, again))
	if d.Opening().ID != c.ID {
		t.Errorf("resumed as %s, begun as %s", d.Opening().ID, c.ID)
	}
	if diff := cmp.Diff([]capture.Range{{Start: 4000, End: 8000}}, d.Have()); diff != "" {
		t.Errorf("have (-want +got):\n%s", diff)
	}
	b, ok, err := d.Bytes(capture.Data, 5000, 100)
	if err != nil || !ok || !bytes.Equal(b, data[5000:5100]) {
		t.Errorf("bytes read back: %v %v, equal %v", ok, err, bytes.Equal(b, data[5000:5100]))
	}
	if _, ok, err := d.Bytes(capture.Data, 7999, 2); ok || err != nil {
		t.Errorf("a missing byte is there: %v %v", ok, err)
	}
	kept := must[capture.Capture](t)(d.Keep(ctx, d.Opening(), storetest.Chunk(data, 0, 4000), storetest.Chunk(data, 8000, 16000)))
	original, have, err := s.Original(ctx, kept.ID, capture.Data)
	if err != nil || !bytes.Equal(original, data) {
		t.Errorf("original differs (%v)", err)
	}
	if diff := cmp.Diff([]capture.Range{{Start: 0, End: 16000}}, have); diff != "" {
		t.Errorf("have (-want +got):\n%s", diff)
	}
	if left := must[[]*store.Draft](t)(s.Drafts(ctx, "")); len(left) != 0 {
		t.Errorf("%d drafts left after keeping", len(left))
	}
}

func TestOneDraftHasOneHandle(t *testing.T) {
	s := storetest.New(t)
	c, data := storetest.Recording("elevator", 1, 2, 100)
	one := must[*store.Draft](t)(s.Draft(ctx, c))
	two := must[*store.Draft](t)(s.Draft(ctx, c))
	if one != two {
		t.Error("two handles before the first data")
	}
	if err := one.Append(ctx, storetest.Chunk(data, 0, 10)); err != nil {
		t.Fatal(err)
	}
	list := must[[]*store.Draft](t)(s.Drafts(ctx, "elevator"))
	if len(list) != 1 || list[0] != one {
		t.Error("Drafts gives another handle")
	}
	if other := must[[]*store.Draft](t)(s.Drafts(ctx, "belt")); len(other) != 0 {
		t.Error("another drive's drafts aren't empty")
	}
}

// Two recordings, never mixed: another identity, or the same identity read by
// a map that was changed, is another draft.
func TestDraftsAreNeverMixed(t *testing.T) {
	s := storetest.New(t)
	c, data := storetest.Recording("elevator", 1, 2, 100)
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	if err := d.Append(ctx, storetest.Chunk(data, 100, 200)); err != nil {
		t.Fatal(err)
	}
	recoded := c
	recoded.Encoding.Order = capture.ByChannel
	if other := must[*store.Draft](t)(s.Draft(ctx, recoded)); other == d || other.Opening().ID == c.ID || len(other.Have()) != 0 {
		t.Error("another encoding resumes the draft")
	}
	next, _ := storetest.Recording("elevator", 2, 2, 100)
	if other := must[*store.Draft](t)(s.Draft(ctx, next)); other == d || len(other.Have()) != 0 {
		t.Error("another recording resumes the draft")
	}

	wrong := bytes.Clone(data)
	wrong[150] ^= 1
	for name, chunks := range map[string][]capture.Chunk{
		"inside":          {storetest.Chunk(wrong, 140, 160)},
		"over both edges": {storetest.Chunk(wrong, 50, 250)},
		"within one call": {storetest.Chunk(data, 300, 310), {Offset: 305, Bytes: []byte{data[305] ^ 1}}},
	} {
		if err := d.Append(ctx, chunks...); !errors.Is(err, store.ErrMixed) {
			t.Errorf("%s: %v, want ErrMixed", name, err)
		}
		part := c
		part.Integrity.Whole = false
		if _, err := d.Keep(ctx, part, chunks...); !errors.Is(err, store.ErrMixed) {
			t.Errorf("%s: Keep: %v, want ErrMixed", name, err)
		}
	}
	if diff := cmp.Diff([]capture.Range{{Start: 100, End: 200}}, d.Have()); diff != "" {
		t.Errorf("refused bytes left something (-want +got):\n%s", diff)
	}
	swapped := c
	swapped.Provenance.Identity = next.Provenance.Identity
	if _, err := d.Keep(ctx, swapped, storetest.Chunk(data, 0, 400)); !errors.Is(err, store.ErrMixed) {
		t.Errorf("another identity at Keep: %v, want ErrMixed", err)
	}
	must[capture.Capture](t)(d.Keep(ctx, c, storetest.Chunk(data, 0, 400)))
}

// From the trigger outwards, in small reads, overlapping, some twice.
func TestChunksInAnyOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for n := range 20 {
		s := storetest.New(t)
		c, data := storetest.Recording("elevator", n, 4, 1500)
		d := must[*store.Draft](t)(s.Draft(ctx, c))
		for range r.IntN(12) {
			var chunks []capture.Chunk
			for range 1 + r.IntN(9) {
				from := r.IntN(len(data))
				chunks = append(chunks, storetest.Chunk(data, from, min(len(data), from+r.IntN(2500))))
			}
			if err := d.Append(ctx, chunks...); err != nil {
				t.Fatal(err)
			}
		}
		var rest []capture.Chunk
		for at := 0; at < len(data); at += 250 {
			rest = append(rest, storetest.Chunk(data, at, min(len(data), at+250)))
		}
		r.Shuffle(len(rest), func(i, j int) { rest[i], rest[j] = rest[j], rest[i] })
		kept := must[capture.Capture](t)(d.Keep(ctx, c, rest...))
		original, _, err := s.Original(ctx, kept.ID, capture.Data)
		if err != nil || !bytes.Equal(original, data) {
			t.Fatalf("original differs (%v)", err)
		}
	}
}

// Thousands of reads of 125 registers must not become thousands of keys.
func TestSmallChunksAreJoined(t *testing.T) {
	s := storetest.New(t)
	c, data := storetest.Recording("elevator", 1, 8, 32<<10) // 512 KiB
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	var chunks []capture.Chunk
	for at := len(data) - 250; at > -250; at -= 250 {
		chunks = append(chunks, storetest.Chunk(data, max(0, at), at+250))
	}
	must[capture.Capture](t)(d.Keep(ctx, c, chunks...))
	path := s.Path()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if keys := countChunks(t, path); keys != 2 {
		t.Errorf("%d reads became %d stored chunks, want 2 of 256 KiB", len(chunks), keys)
	}
}

func TestDrop(t *testing.T) {
	s := storetest.New(t)
	c, data := storetest.Recording("elevator", 1, 2, 100)
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	if err := d.Drop(ctx); err != nil {
		t.Fatal(err)
	}
	if err := d.Append(ctx, storetest.Chunk(data, 0, 10)); !errors.Is(err, store.ErrGone) {
		t.Errorf("append to a dropped draft: %v, want ErrGone", err)
	}
	if _, err := d.Keep(ctx, c); !errors.Is(err, store.ErrGone) {
		t.Errorf("keep a dropped draft: %v, want ErrGone", err)
	}
	d = must[*store.Draft](t)(s.Draft(ctx, c))
	if err := d.Append(ctx, storetest.Chunk(data, 0, 10)); err != nil {
		t.Fatal(err)
	}
	if err := d.Drop(ctx); err == nil {
		t.Error("a draft with data can be dropped")
	}
	if len(must[[]*store.Draft](t)(s.Drafts(ctx, ""))) != 1 {
		t.Error("the draft is gone")
	}
}

// A handle that outlived its draft must not write chunks that nothing leads to.
func TestDraftThatIsNoMore(t *testing.T) {
	s := storetest.New(t)
	c, data := storetest.Recording("elevator", 1, 2, 100)
	for range 2 {
		d := must[*store.Draft](t)(s.Draft(ctx, c))
		if err := d.Append(ctx, storetest.Chunk(data, 0, 10)); err != nil {
			t.Fatal(err)
		}
		if err := store.LoseDraft(d); err != nil {
			t.Fatal(err)
		}
		if err := d.Append(ctx, storetest.Chunk(data, 10, 20)); !errors.Is(err, store.ErrGone) {
			t.Errorf("append: %v, want ErrGone", err)
		}
	}
}

func TestOpeningsAndChunksThatCantBeStored(t *testing.T) {
	s := storetest.New(t)
	c, data := storetest.Recording("elevator", 1, 2, 100)
	for name, bad := range map[string]func(*capture.Capture){
		"no drive":      func(c *capture.Capture) { c.Drive = "" },
		"NUL in drive":  func(c *capture.Capture) { c.Drive = "a\x00b" },
		"NUL in ID":     func(c *capture.Capture) { c.ID = "a\x00b" },
		"endless drive": func(c *capture.Capture) { c.Drive = string(make([]byte, 500)) },
	} {
		wrong := c
		bad(&wrong)
		if _, err := s.Draft(ctx, wrong); err == nil {
			t.Errorf("%s: begins a draft", name)
		}
	}
	d := must[*store.Draft](t)(s.Draft(ctx, c))
	for name, chunk := range map[string]capture.Chunk{
		"negative":    {Offset: -1, Bytes: data[:1]},
		"beyond":      {Offset: 1 << 62, Bytes: data[:1]},
		"NUL in part": {Part: "a\x00", Bytes: data[:1]},
	} {
		if err := d.Append(ctx, chunk); err == nil {
			t.Errorf("%s: is stored", name)
		}
	}
	if _, err := d.Keep(ctx, c, capture.Chunk{Offset: 395, Bytes: make([]byte, 10)}); err == nil {
		t.Error("bytes beyond the recording's size are kept")
	}
	if _, err := d.Keep(ctx, c, storetest.Chunk(data, 0, 399)); err == nil {
		t.Error("a recording that lacks a byte is kept as whole")
	}
	if err := d.Append(ctx); err != nil {
		t.Errorf("nothing to append: %v", err)
	}
	if err := d.Append(ctx, capture.Chunk{}); err != nil {
		t.Errorf("an empty chunk: %v", err)
	}
}

func countChunks(t *testing.T, path string) (n int) {
	t.Helper()
	db := storetest.Raw(t, filepath.Clean(path))
	defer db.Close()
	return chunkKeys(t, db)
}
