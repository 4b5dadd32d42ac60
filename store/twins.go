package store

import (
	"fmt"
	"slices"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// Twins are captures with the very same original bytes, such as of one
// recording that was exported twice. While the disk is nearly full the bytes
// of a twin aren't stored again: its Integrity.Same names the capture that
// holds them. The list of those is short, and lies under one key.

// loan says that capture By has its bytes in capture Of.
type loan struct {
	Of capture.ID `json:"of"`
	By capture.ID `json:"by"`
}

// lookBack is how many captures of a drive are looked at for a twin.
const lookBack = 50

func loans(tx *bolt.Tx) (list []loan, err error) {
	if v := tx.Bucket(bMeta).Get(kLoans); v != nil {
		err = unseal(kLoans, v, &list)
	}
	return list, err
}

func putLoans(tx *bolt.Tx, list []loan) error {
	if len(list) == 0 {
		return tx.Bucket(bMeta).Delete(kLoans)
	}
	return putSealed(tx.Bucket(bMeta), kLoans, list)
}

// twinOf finds a capture of the same drive that holds exactly the bytes of c,
// whose hashes are known; "" where there is none that reads back.
func twinOf(tx *bolt.Tx, c capture.Capture) capture.ID {
	if len(c.Integrity.Have) == 0 {
		return ""
	}
	left := lookBack
	var found capture.ID
	_ = walkIndex(tx, Query{Drives: []string{c.Drive}}, func(id capture.ID) (bool, error) {
		left--
		other, err := tryCapture(tx, id)
		same := err == nil && other.Integrity.Same == "" && other.Integrity.SHA256 == c.Integrity.SHA256 &&
			slices.Equal(other.Integrity.Parts, c.Integrity.Parts) && slices.Equal(other.Integrity.Have, c.Integrity.Have)
		if same && guard(func() error { return checkParts(tx, other) }) == nil {
			found = id
		}
		return found == "" && left > 0, nil
	})
	return found
}

// borrow notes that c has its bytes in another capture.
func borrow(tx *bolt.Tx, c *capture.Capture, of capture.ID) error {
	list, err := loans(tx)
	if err != nil {
		return err
	}
	c.Integrity.Same = of
	return putLoans(tx, append(list, loan{of, c.ID}))
}

// holderOf is where a capture's bytes lie, and their runs.
func holderOf(tx *bolt.Tx, id capture.ID) (holder capture.ID, runs []run, err error) {
	runs, err = runsOf(tx, id)
	if err != nil || len(runs) > 0 {
		return id, runs, err
	}
	c, err := getCapture(tx, id)
	if err != nil || c.Integrity.Same == "" {
		return id, nil, err
	}
	runs, err = runsOf(tx, c.Integrity.Same)
	return c.Integrity.Same, runs, err
}

// settleLoans is done before a capture goes: what it borrowed it needs no
// more, and what it lent its first borrower takes over.
func (s *Store) settleLoans(tx *bolt.Tx, id capture.ID) error {
	list, err := loans(tx)
	if err != nil {
		s.log.Error("which captures share their bytes can't be read", "err", err)
		return nil
	}
	if len(list) == 0 {
		return nil
	}
	list = slices.DeleteFunc(list, func(l loan) bool { return l.By == id })
	var heir capture.ID
	for i := range list {
		if list[i].Of != id {
			continue
		}
		if heir == "" {
			heir = list[i].By
			if err := s.inherit(tx, id, heir); err != nil {
				return fmt.Errorf("%s has its bytes in %s: %w", heir, id, err)
			}
		} else if err := s.pointTo(tx, list[i].By, heir); err != nil {
			return err
		}
		list[i].Of = heir
	}
	list = slices.DeleteFunc(list, func(l loan) bool { return l.By == l.Of })
	return putLoans(tx, list)
}

// inherit gives the bytes of a capture that goes to one that borrowed them.
// Where they are damaged, the heir is left without: Verify tells of it.
func (s *Store) inherit(tx *bolt.Tx, from, heir capture.ID) error {
	runs, err := runsOf(tx, from)
	if err != nil {
		return err
	}
	var chunks []capture.Chunk
	for _, r := range runs {
		b, err := bytesOf(tx, from, r)
		if err != nil {
			s.log.Error("bytes that two captures shared are damaged", "of", from, "by", heir, "err", err)
			continue
		}
		chunks = append(chunks, capture.Chunk{Part: r.part, Offset: r.start, Bytes: slices.Clone(b)})
	}
	s.touch(heir)
	if _, err := add(tx, heir, lastBatch, nil, chunks); err != nil {
		return err
	}
	return s.pointTo(tx, heir, "")
}

// pointTo changes where a capture has its bytes.
func (s *Store) pointTo(tx *bolt.Tx, id, of capture.ID) error {
	c, err := getCapture(tx, id)
	if err != nil {
		s.log.Error("a capture that shared its bytes can't be read", "id", id, "err", err)
		return nil
	}
	c.Integrity.Same = of
	s.touch(id)
	return putAs(tx.Bucket(bChunks).Bucket(batchKey(id, lastBatch)), kHeader, []byte(id), c)
}

// checkLoans is part of Verify.
func checkLoans(tx *bolt.Tx, report func(capture.ID, string)) error {
	list, err := loans(tx)
	if err != nil {
		report("", fmt.Sprintf("The list of captures that share their bytes is %v.", err))
		return nil
	}
	for _, l := range list {
		if c, err := tryCapture(tx, l.By); err == nil && c.Integrity.Same != l.Of {
			report(l.By, fmt.Sprintf("%s is listed as having its bytes in %s, and isn't.", l.By, l.Of))
		}
	}
	return nil
}
