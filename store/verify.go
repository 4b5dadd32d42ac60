package store

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Report is what Verify found.
type Report struct {
	Captures int           `json:"captures"` // looked at
	Drafts   int           `json:"drafts"`
	Bytes    int64         `json:"bytes"` // original bytes whose checksums were recomputed
	Took     time.Duration `json:"took_ns"`
	Problems []Problem     `json:"problems"`
}

// Problem is one thing damaged.
type Problem struct {
	Capture capture.ID `json:"capture,omitempty"` // the capture or draft concerned, if one is
	Text    string     `json:"text"`              // one sentence
}

// OK tells whether nothing is damaged.
func (r Report) OK() bool { return len(r.Problems) == 0 }

func (r Report) String() string {
	if r.OK() {
		return fmt.Sprintf("%d captures and %d drafts are as they were kept.", r.Captures, r.Drafts)
	}
	var b bytes.Buffer
	for i, p := range r.Problems {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(p.Text)
	}
	return b.String()
}

// Verify recomputes everything that can be: the file's page structure, the
// CRC-32C of every value and chunk, the SHA-256 of every capture, sizes
// against ranges, indexes against captures, drafts. progress may be nil; it is
// told how many captures and drafts are done. The store stays usable meanwhile.
// The error says why verifying itself ended early; what is damaged is in the report.
func (s *Store) Verify(ctx context.Context, progress func(done, total int)) (Report, error) {
	begun := time.Now()
	done, err := s.alone(ctx)
	if err != nil {
		return Report{}, err
	}
	defer done()
	v := &verifier{s: s, progress: progress}
	v.report.Problems = []Problem{}
	err = v.pages(ctx)
	for _, step := range []func(context.Context) error{v.captures, v.values, v.strays} {
		if err == nil {
			err = step(ctx)
		}
		var p *panicked
		if errors.As(err, &p) {
			v.problem("", "The file's structure is damaged: %v.", p.what)
			err = nil
		}
	}
	v.report.Took = time.Since(begun)
	return v.report, err
}

type verifier struct {
	s        *Store
	progress func(done, total int)
	report   Report
}

func (v *verifier) problem(id capture.ID, format string, args ...any) {
	v.report.Problems = append(v.report.Problems, Problem{Capture: id, Text: fmt.Sprintf(format, args...)})
}

// pages walks the page structure of one moment's state: its pages aren't
// reused while a read transaction holds it.
func (v *verifier) pages(ctx context.Context) error {
	s := v.s
	if err := s.ensure(); err != nil {
		return err
	}
	s.writing.Lock() // so that the newest meta page is the transaction's
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.db == nil {
		s.writing.Unlock()
		return ErrClosed
	}
	var tx *bolt.Tx
	var m meta
	info, err := s.file.Stat()
	if err == nil {
		m, err = newestMeta(s.file, info.Size())
	}
	if err == nil {
		err = guard(func() (err error) { tx, err = s.db.Begin(false); return err })
	}
	s.writing.Unlock()
	var w *walker
	if err == nil {
		defer func() { _ = guard(tx.Rollback) }()
		w, err = walkFrom(s.file, info.Size(), m)
	}
	if errors.Is(err, ErrDamaged) {
		v.problem("", "The file is %v.", err)
		return nil
	}
	if err != nil {
		return err
	}
	sound := true
	w.full(func(err error) {
		sound = false
		v.problem("", "The file's structure is %v.", err)
	})
	if sound && s.opt.ReadOnly {
		// bbolt's own check can't run beside a writer, and must not meet wild pages.
		for err := range tx.Check() {
			v.problem("", "The file's structure is damaged: %v.", err)
		}
	}
	return ctx.Err()
}

// captures checks every capture and draft, each in a read transaction of its own.
func (v *verifier) captures(ctx context.Context) error {
	drafts, err := v.ids(ctx, bDrafts)
	if err != nil {
		return err
	}
	kept, err := v.ids(ctx, bIndex)
	if err != nil {
		return err
	}
	done, total := 0, len(kept)+len(drafts)
	step := func(check func(*bolt.Tx, capture.ID) error, id capture.ID) error {
		err := v.s.view(ctx, func(tx *bolt.Tx) error { return check(tx, id) })
		if ctx.Err() != nil {
			return ctx.Err()
		}
		var p *panicked
		if errors.As(err, &p) {
			v.problem(id, "Capture %s can't be read: the file's structure is damaged (%v).", id, p.what)
		} else if err != nil {
			return err
		}
		done++
		if v.progress != nil {
			v.progress(done, total)
		}
		return nil
	}
	for _, id := range drafts {
		if err := step(v.draft, id); err != nil {
			return err
		}
	}
	for _, id := range kept {
		if err := step(v.capture, id); err != nil {
			return err
		}
	}
	return nil
}

func (v *verifier) ids(ctx context.Context, bucket []byte) (ids []capture.ID, err error) {
	err = v.s.view(ctx, func(tx *bolt.Tx) error {
		return tx.Bucket(bucket).ForEach(func(k, _ []byte) error {
			ids = append(ids, capture.ID(k))
			return nil
		})
	})
	return ids, err
}

func (v *verifier) capture(tx *bolt.Tx, id capture.ID) error {
	key := []byte(id)
	entry := tx.Bucket(bIndex).Get(key)
	if entry == nil {
		return nil // it was removed meanwhile
	}
	v.report.Captures++
	c, err := checkCapture(tx, id)
	if err != nil {
		v.problem(id, "Capture %s is %v.", id, err)
		return nil
	}
	for _, p := range c.Integrity.Parts {
		v.report.Bytes += p.Size
	}
	packed, err := opened(key, entry)
	var sm summary
	if err == nil {
		sm, err = parseSummary(packed)
	}
	if err == nil && !bytes.Equal(summaryOf(c, sm.Seq).pack(), packed) {
		err = errors.New("it says something else than the capture")
	}
	if err != nil {
		v.problem(id, "Capture %s is intact, but its index entry isn't: %v.", id, err)
	}
	return nil
}

func (v *verifier) draft(tx *bolt.Tx, id capture.ID) error {
	key := []byte(id)
	value := tx.Bucket(bDrafts).Get(key)
	if value == nil {
		return nil // kept or dropped meanwhile
	}
	v.report.Drafts++
	var opening capture.Capture
	err := unseal(key, value, &opening)
	if err == nil && opening.ID != id {
		err = damagef("its description says it is %s", opening.ID)
	}
	var runs []run
	if err == nil {
		runs, err = runsOf(tx, id)
	}
	for _, r := range runs {
		if err == nil {
			v.report.Bytes += int64(r.size)
			_, err = bytesOf(tx, id, r)
		}
	}
	if err != nil {
		v.problem(id, "Draft %s is %v.", id, err)
	}
	return nil
}

// values checks every other value.
func (v *verifier) values(ctx context.Context) error {
	check := func(name []byte, what string, into func() any) error {
		return v.s.view(ctx, func(tx *bolt.Tx) error {
			return tx.Bucket(name).ForEach(func(k, b []byte) error {
				if err := unseal(k, b, into()); err != nil {
					v.problem("", "An entry of %s is %v.", what, err)
				}
				return nil
			})
		})
	}
	messages := func(name []byte, what string) error {
		return v.s.view(ctx, func(tx *bolt.Tx) error {
			return tx.Bucket(name).ForEach(func(k, b []byte) error {
				var m Message
				err := unseal(k, b, &m)
				if err == nil && !bytes.Equal(messageKey(m.Sink, m.Seq), k) {
					err = damagef("it says it is number %d to %s", m.Seq, m.Sink)
				}
				if err != nil {
					v.problem("", "A message in %s is %v.", what, err)
				}
				return nil
			})
		})
	}
	raw := func() any { return new(json.RawMessage) }
	return errors.Join(
		check(bLedger, "the ledger", func() any { return new(Entry) }),
		check(bMisses, "the list of misses", func() any { return new(capture.Miss) }),
		check(bSpells, "the list of blind spells", func() any { return new(capture.Spell) }),
		check(bCounts, "the counts of alerts", func() any { return new(Counts) }),
		check(bVisits, "the list of visits", raw),
		messages(bOutbox, "the outbox"),
		messages(bAside, "the alerts set aside"),
		v.s.view(ctx, func(tx *bolt.Tx) error {
			report := func(id capture.ID, text string) { v.problem(id, "%s", text) }
			return errors.Join(checkMarks(tx, report), checkLoans(tx, report), checkArrivals(tx, report), checkStudies(tx, report), checkRemarks(tx, report), checkBriefs(tx, report),
				checkTelling(tx, report))
		}),
		v.s.view(ctx, func(tx *bolt.Tx) error {
			for key, what := range map[string]string{string(kBeat): "The last sign of life", string(kStage): "How full the disk was last", string(kAged): "When retention last looked", string(kFaults): "The drives' fault counts"} {
				if b := tx.Bucket(bMeta).Get([]byte(key)); b != nil {
					if err := unseal([]byte(key), b, new(json.RawMessage)); err != nil {
						v.problem("", "%s is %v.", what, err)
					}
				}
			}
			return nil
		}),
	)
}

// strays looks for original bytes that nothing leads to.
func (v *verifier) strays(ctx context.Context) error {
	return v.s.view(ctx, func(tx *bolt.Tx) error {
		drafts := tx.Bucket(bDrafts)
		seen := capture.ID("")
		return tx.Bucket(bChunks).ForEach(func(k, _ []byte) error {
			id, _, err := parseBatchKey(k)
			if err != nil {
				v.problem("", "The original bytes are %v.", err)
				return nil
			}
			if id != seen && drafts.Get([]byte(id)) == nil && !isKept(tx, id) {
				v.problem(id, "Original bytes of %s are there without a capture or draft.", id)
			}
			seen = id
			return nil
		})
	})
}
