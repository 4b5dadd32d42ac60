package store

import (
	"bytes"
	"compress/flate"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Studied is a study with what makes its capture comparable with others.
type Studied struct {
	capture.Study
	Tones []byte // its oscillations as JSON; nil: not looked for
	Group string // captures of one group can be compared; "": with none
	Print []byte // the capture in the form in which it is compared

	// For whoever hears of the capture; not stored.
	Family string    // its family's name
	Seen   int       // how many there are in it
	Since  time.Time // when the first of them tripped
}

// shelved is a Studied as it is stored: its version in two bytes, so that a
// study by older analyses is found without unpacking it, then all but the
// print as deflated JSON. Texts of findings repeat themselves a good deal.
type shelved struct {
	capture.Study
	Tones json.RawMessage `json:"tones,omitempty"`
	Group string          `json:"group,omitempty"`
}

// PutStudies stores studies in one transaction, each in the place of the one
// before. Captures that aren't there any more are passed over.
func (s *Store) PutStudies(studies map[capture.ID]Studied) error {
	if len(studies) == 0 {
		return nil
	}
	packed := make(map[capture.ID][]byte, len(studies))
	for id, st := range studies {
		b, err := st.pack(id)
		if err != nil {
			return fmt.Errorf("the findings of %s can't be stored: %w", id, err)
		}
		packed[id] = b
	}
	awaiting, err := s.awaiting(studies)
	if err != nil {
		return err
	}
	if len(awaiting) > 0 {
		defer s.wake()
	}
	return s.update("store findings", func(tx *bolt.Tx) error {
		for id, b := range packed {
			if !isKept(tx, id) {
				continue
			}
			if err := removeStudy(tx, id); err != nil {
				return err
			}
			if err := tx.Bucket(bStudies).Put([]byte(id), b); err != nil {
				return err
			}
			st := studies[id]
			if st.Group == "" || len(st.Print) == 0 {
				continue
			}
			key := joined(st.Group, string(id))
			if err := tx.Bucket(bPrints).Put(key, sealBytes(key, st.Print)); err != nil {
				return err
			}
		}
		return s.tellMore(tx, awaiting)
	})
}

// PutPrints stores anew in what form captures of a group are compared, in one
// transaction. Those that have left the group meanwhile are passed over.
func (s *Store) PutPrints(group string, prints map[capture.ID][]byte) error {
	if len(prints) == 0 {
		return nil
	}
	return s.update("store what captures are compared by", func(tx *bolt.Tx) error {
		b := tx.Bucket(bPrints)
		for id, p := range prints {
			key := joined(group, string(id))
			if b.Get(key) == nil {
				continue
			}
			if err := b.Put(key, sealBytes(key, p)); err != nil {
				return err
			}
		}
		return nil
	})
}

func (st Studied) pack(id capture.ID) ([]byte, error) {
	if err := checkName("the group of captures", st.Group+"-"); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	out.Write(binary.BigEndian.AppendUint16(nil, uint16(st.Version)))
	w, err := flate.NewWriter(&out, flate.DefaultCompression)
	if err != nil {
		return nil, err
	}
	if err := json.NewEncoder(w).Encode(shelved{st.Study, st.Tones, st.Group}); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return sealBytes([]byte(id), out.Bytes()), nil
}

// mostStudy bounds what an unpacked study takes; a thousand times the usual.
const mostStudy = 16 << 20

func unpackStudy(id capture.ID, v []byte) (sh shelved, err error) {
	b, err := opened([]byte(id), v)
	if err != nil {
		return sh, err
	}
	if len(b) < 2 {
		return sh, damagef("%q is cut short", id)
	}
	r := flate.NewReader(bytes.NewReader(b[2:]))
	if err := json.NewDecoder(io.LimitReader(r, mostStudy)).Decode(&sh); err != nil {
		return sh, damagef("the findings of %q can't be read: %v", id, err)
	}
	return sh, nil
}

// removeStudy takes away what was found in a capture. A damaged study leaves
// its print behind only where its group can't be told.
func removeStudy(tx *bolt.Tx, id capture.ID) error {
	b := tx.Bucket(bStudies)
	v := b.Get([]byte(id))
	if v == nil {
		return nil
	}
	if sh, err := unpackStudy(id, v); err == nil && sh.Group != "" {
		if err := tx.Bucket(bPrints).Delete(joined(sh.Group, string(id))); err != nil {
			return err
		}
	}
	return b.Delete([]byte(id))
}

// Studies are the studies of captures; those that have none are left out, and
// so are damaged ones, which are then computed again.
func (s *Store) Studies(ctx context.Context, ids ...capture.ID) (map[capture.ID]Studied, error) {
	out := map[capture.ID]Studied{}
	err := s.view(ctx, func(tx *bolt.Tx) error {
		b, prints := tx.Bucket(bStudies), tx.Bucket(bPrints)
		if b == nil || prints == nil { // a file of an older faultkeep that is only read
			return nil
		}
		for _, id := range ids {
			v := b.Get([]byte(id))
			if v == nil {
				continue
			}
			sh, err := unpackStudy(id, v)
			if err != nil {
				s.log.Warn("findings can't be read and are to be computed again", "id", id, "err", err)
				continue
			}
			st := Studied{Study: sh.Study, Tones: sh.Tones, Group: sh.Group}
			key := joined(sh.Group, string(id))
			if p, err := opened(key, prints.Get(key)); err == nil {
				st.Print = bytes.Clone(p)
			}
			out[id] = st
		}
		return nil
	})
	return out, err
}

// Unstudied are captures without a study of that version or a newer one,
// newest first, at most limit of them. Traces and unread files have none.
func (s *Store) Unstudied(ctx context.Context, version, limit int) (out []capture.ID, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		b := tx.Bucket(bStudies)
		c := tx.Bucket(bIndex).Cursor()
		for k, _ := c.Last(); k != nil && len(out) < limit; k, _ = c.Prev() {
			id := capture.ID(k)
			if _, trace := id.Trace(); trace || id.IsUnread() {
				continue
			}
			if b != nil {
				if v, err := opened(k, b.Get(k)); err == nil && len(v) > 2 && int(binary.BigEndian.Uint16(v)) >= version {
					continue
				}
			}
			out = append(out, id)
		}
		return nil
	})
	return out, err
}

// Print is one capture of a group in the form in which it is compared.
type Print struct {
	ID      capture.ID
	Drive   string
	Trigger time.Time
	Bytes   []byte
}

// Prints are all captures of a group, by their IDs.
func (s *Store) Prints(ctx context.Context, group string) (out []Print, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		b, index := tx.Bucket(bPrints), tx.Bucket(bIndex)
		if b == nil {
			return nil
		}
		prefix := joined(group, "")
		c := b.Cursor()
		for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
			id := capture.ID(k[len(prefix):])
			p, err := opened(k, v)
			sm, kept := summaryAt(tx, []byte(id), index.Get([]byte(id)))
			if err != nil || !kept {
				continue // Verify tells of it
			}
			out = append(out, Print{id, sm.Drive, sm.Trigger, bytes.Clone(p)})
		}
		return nil
	})
	return out, err
}

// PrintGroups are the names of all groups that begin so.
func (s *Store) PrintGroups(ctx context.Context, prefix string) (out []string, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		b := tx.Bucket(bPrints)
		if b == nil {
			return nil
		}
		c := b.Cursor()
		for k, _ := c.Seek([]byte(prefix)); k != nil && bytes.HasPrefix(k, []byte(prefix)); {
			group, _, _ := bytes.Cut(k, []byte{0})
			out = append(out, string(group))
			k, _ = c.Seek(append(bytes.Clone(group), 1)) // past its captures
		}
		return ctx.Err()
	})
	return out, err
}

// EachPrint calls fn for every capture that has a print; what it is given is
// good for the call alone.
func (s *Store) EachPrint(ctx context.Context, fn func(id capture.ID, print []byte)) error {
	return s.view(ctx, func(tx *bolt.Tx) error {
		b := tx.Bucket(bPrints)
		if b == nil {
			return nil
		}
		return b.ForEach(func(k, v []byte) error {
			if p, err := opened(k, v); err == nil {
				fn(capture.ID(k[bytes.LastIndexByte(k, 0)+1:]), p)
			}
			return ctx.Err()
		})
	})
}

// checkStudies is part of Verify.
func checkStudies(tx *bolt.Tx, report func(capture.ID, string)) error {
	studies, prints, repairs := tx.Bucket(bStudies), tx.Bucket(bPrints), tx.Bucket(bRepairs)
	if studies == nil || prints == nil || repairs == nil {
		return nil
	}
	return errors.Join(
		studies.ForEach(func(k, v []byte) error {
			id := capture.ID(k)
			if _, err := unpackStudy(id, v); err != nil {
				report(id, fmt.Sprintf("The findings of %s are %v; `faultkeep analyse %s` computes them again.", id, err, id))
			} else if !isKept(tx, id) {
				report(id, fmt.Sprintf("There are findings of %s, which isn't kept.", id))
			}
			return nil
		}),
		prints.ForEach(func(k, v []byte) error {
			if _, err := opened(k, v); err != nil {
				id := capture.ID(k[bytes.LastIndexByte(k, 0)+1:])
				report(id, fmt.Sprintf("What %s is compared by is %v; `faultkeep analyse %s` computes it again.", id, err, id))
			}
			return nil
		}),
		repairs.ForEach(func(k, v []byte) error {
			if err := unseal(k, v, new(capture.Repair)); err != nil {
				report("", fmt.Sprintf("A note of a repair is %v.", err))
			}
			return nil
		}),
	)
}
