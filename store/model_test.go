package store_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"

	bolt "go.etcd.io/bbolt"
	"pgregory.net/rapid"

	"faultkeep/store"
	"faultkeep/store/capture"
	"faultkeep/store/storetest"
)

// The store against a model of a few maps, under random operations: drafts
// begun, appended to, kept whole or in part, dropped; commits that fail,
// having written or not; closing and opening again.
type model struct {
	t     *rapid.T
	path  string
	s     *store.Store
	draft map[int][]bool // recording → which bytes are durable
	kept  map[int][]bool // recording → which bytes it was kept with
	order []int          // of keeping
}

const (
	modelChannels = 2
	modelSamples  = 40
	modelSize     = 2 * modelChannels * modelSamples
)

var modelDrives = []string{"elevator", "belt 3"}

func modelRecording(n int) (capture.Capture, []byte) {
	return storetest.Recording(modelDrives[n%2], n, modelChannels, modelSamples)
}

func (m *model) open() {
	s, err := open(m.path)
	if err != nil {
		m.t.Fatal(err)
	}
	m.s = s
}

func (m *model) number(t *rapid.T) int { return rapid.IntRange(0, 7).Draw(t, "recording") }

// handle is the recording's draft, or nil if it is kept already.
func (m *model) handle(t *rapid.T, n int) *store.Draft {
	c, _ := modelRecording(n)
	d, err := m.s.Draft(ctx, c)
	if kept := m.kept[n] != nil; kept != errors.Is(err, store.ErrKept) || !kept && err != nil {
		t.Fatalf("draft of recording %d (kept %v): %v", n, kept, err)
	}
	return d
}

func (m *model) chunks(t *rapid.T, n int) ([]capture.Chunk, []bool) {
	_, data := modelRecording(n)
	there := slices.Clone(m.draft[n])
	if there == nil {
		there = make([]bool, modelSize)
	}
	var chunks []capture.Chunk
	for range rapid.IntRange(0, 4).Draw(t, "chunks") {
		from := rapid.IntRange(0, modelSize-1).Draw(t, "from")
		to := rapid.IntRange(from, modelSize).Draw(t, "to")
		chunks = append(chunks, storetest.Chunk(data, from, to))
		for i := from; i < to; i++ {
			there[i] = true
		}
	}
	return chunks, there
}

func (m *model) Append(t *rapid.T) {
	n := m.number(t)
	d := m.handle(t, n)
	if d == nil {
		return
	}
	chunks, there := m.chunks(t, n)
	if err := d.Append(ctx, chunks...); err != nil {
		t.Fatal(err)
	}
	if slices.Contains(there, true) {
		m.draft[n] = there
	}
}

func (m *model) AppendOfAnother(t *rapid.T) {
	n := m.number(t)
	d := m.handle(t, n)
	if d == nil {
		return
	}
	_, data := modelRecording(n + 100)
	_, own := modelRecording(n)
	at := rapid.IntRange(0, modelSize-1).Draw(t, "at")
	if m.draft[n] == nil || !m.draft[n][at] || data[at] == own[at] {
		return
	}
	if err := d.Append(ctx, storetest.Chunk(data, at, at+1)); !errors.Is(err, store.ErrMixed) {
		t.Fatalf("another recording's byte: %v", err)
	}
}

func (m *model) Keep(t *rapid.T) { m.keep(t, nil, true) }
func (m *model) KeepWrittenButFailing(t *rapid.T) {
	m.keep(t, func(tx *bolt.Tx) error { _ = tx.Commit(); return os.ErrClosed }, true)
}
func (m *model) KeepNotWritten(t *rapid.T) {
	m.keep(t, func(tx *bolt.Tx) error { _ = tx.Rollback(); return os.ErrClosed }, false)
}

func (m *model) keep(t *rapid.T, commit func(*bolt.Tx) error, works bool) {
	n := m.number(t)
	d := m.handle(t, n)
	if d == nil {
		return
	}
	chunks, there := m.chunks(t, n)
	c, data := modelRecording(n)
	if rapid.Bool().Draw(t, "whole") {
		chunks = append(chunks, storetest.Chunk(data, 0, len(data)))
		for i := range there {
			there[i] = true
		}
	}
	c.Integrity.Whole = !slices.Contains(there, false)
	store.SetCommit(m.s, commit)
	_, err := d.Keep(ctx, c, chunks...)
	store.SetCommit(m.s, nil)
	if works != (err == nil) {
		t.Fatalf("keep: %v", err)
	}
	if works {
		delete(m.draft, n)
		m.kept[n] = there
		m.order = append(m.order, n)
	}
}

func (m *model) Drop(t *rapid.T) {
	n := m.number(t)
	d := m.handle(t, n)
	if d == nil {
		return
	}
	if err := d.Drop(ctx); (err == nil) != (m.draft[n] == nil) {
		t.Fatalf("drop with data %v: %v", m.draft[n] != nil, err)
	}
}

func (m *model) Compact(t *rapid.T) {
	if rapid.Bool().Draw(t, "renamed closed") {
		store.RenameClosed(m.s)
	}
	if _, err := m.s.Compact(ctx, nil); err != nil {
		t.Fatal(err)
	}
}

// Retain drops all but the newest of each drive that it may drop.
func (m *model) Retain(t *rapid.T) {
	out, err := m.s.Retain(ctx, store.Retention{MaxSize: 1})
	if err != nil {
		t.Fatal(err)
	}
	newest := map[int]bool{}
	for i := range modelDrives {
		last, latest := -1, -1
		for _, n := range m.order {
			if n%2 == i && m.kept[n] != nil {
				last, latest = n, max(latest, n)
			}
		}
		newest[last], newest[latest] = true, true
	}
	dropped := 0
	for n := range m.kept {
		if !newest[n] {
			delete(m.kept, n)
			dropped++
		}
	}
	if out.Captures != dropped {
		t.Fatalf("%d dropped, want %d", out.Captures, dropped)
	}
}

func (m *model) Reopen(t *rapid.T) {
	if err := m.s.Close(); err != nil {
		t.Fatal(err)
	}
	m.open()
}

// ranges are the runs of true.
func ranges(there []bool) []capture.Range {
	var out []capture.Range
	for i, ok := range there {
		switch n := len(out); {
		case ok && n > 0 && out[n-1].End == int64(i):
			out[n-1].End++
		case ok:
			out = append(out, capture.Range{Start: int64(i), End: int64(i) + 1})
		}
	}
	return out
}

func masked(data []byte, there []bool) []byte {
	out := make([]byte, len(data))
	for i, ok := range there {
		if ok {
			out[i] = data[i]
		}
	}
	return out
}

// Check compares all of the store with all of the model.
func (m *model) Check(t *rapid.T) {
	drafts, err := m.s.Drafts(ctx, "")
	if err != nil || len(drafts) != len(m.draft) {
		t.Fatalf("%d drafts, want %d (%v)", len(drafts), len(m.draft), err)
	}
	for n, there := range m.draft {
		d := m.handle(t, n)
		if !slices.Equal(d.Have(), ranges(there)) {
			t.Fatalf("draft %d has %v, want %v", n, d.Have(), ranges(there))
		}
	}
	for n, there := range m.kept {
		c, data := modelRecording(n)
		got, have, err := m.s.Original(ctx, c.ID, capture.Data)
		if err != nil || !bytes.Equal(got, masked(data, there)) || !slices.Equal(have, ranges(there)) {
			t.Fatalf("capture %d has %v, want %v (%v)", n, have, ranges(there), err)
		}
	}
	for i, drive := range modelDrives {
		last, found, err := m.s.Last(ctx, drive)
		want := capture.ID("")
		for _, n := range m.order {
			if n%2 == i && m.kept[n] != nil {
				c, _ := modelRecording(n)
				want = c.ID
			}
		}
		if err != nil || found != (want != "") || last.ID != want {
			t.Fatalf("last of %s is %q, want %q (%v)", drive, last.ID, want, err)
		}
		list, err := m.s.Captures(ctx, store.Query{Drives: []string{drive}})
		number := 0
		for n := range m.kept {
			if n%2 == i {
				number++
			}
		}
		if err != nil || len(list) != number {
			t.Fatalf("%d captures of %s, want %d (%v)", len(list), drive, number, err)
		}
	}
	box, err := m.s.Outbox(ctx, "log", 0)
	if err != nil || len(box) != len(m.order) {
		t.Fatalf("%d alerts for %d captures (%v)", len(box), len(m.order), err)
	}
	for i, n := range m.order {
		if c, _ := modelRecording(n); box[i].Alert.Capture != c.ID {
			t.Fatalf("alert %d is about %s, want %s", i, box[i].Alert.Capture, c.ID)
		}
	}
}

func TestAgainstAModel(t *testing.T) {
	dir := t.TempDir()
	rapid.Check(t, func(t *rapid.T) {
		sub, err := os.MkdirTemp(dir, "")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(sub)
		m := &model{t: t, path: filepath.Join(sub, "faultkeep.db"), draft: map[int][]bool{}, kept: map[int][]bool{}}
		m.open()
		defer func() { m.s.Close() }()
		t.Repeat(rapid.StateMachineActions(m))
		report, err := m.s.Verify(ctx, nil)
		if err != nil || !report.OK() || report.Captures != len(m.kept) || report.Drafts != len(m.draft) {
			t.Fatalf("verify: %s (%v)", report, err)
		}
	})
}
