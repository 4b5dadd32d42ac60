package store

import (
	"bytes"
	"time"

	bolt "go.etcd.io/bbolt"

	"faultkeep/store/capture"
)

// line is one of the kinds of spells that are kept of every drive. Spells of
// one line and drive never overlap, but for the open one.
//
//	LINE DRIVE \x00 FROM → a spell that ended
//	LINE DRIVE \x00 ff…  → the one that goes on: always the last, wherever a
//	                       jump of the clock may have put its beginning
type line string

const (
	blindLine line = ""              // not watched
	knownLine line = "\x00known\x00" // in the config; no drive's name begins with NUL
	driftLine line = "\x00drift\x00" // settings not as wanted
)

var lines = []line{blindLine, knownLine, driftLine}

// watch is what is known of one drive: the spell that is open on each line.
type watch struct {
	blind *capture.Spell // nil: it is watched
	known *capture.Spell // nil: it isn't in the config
	drift *capture.Spell
	free  time.Time // end of the last blind spell: the next doesn't reach into it
}

func (w *watch) open(l line) **capture.Spell {
	switch l {
	case knownLine:
		return &w.known
	case driftLine:
		return &w.drift
	}
	return &w.blind
}

// move is one change of a line: the spell that ends, To set, and the one that begins.
type move struct {
	line  line
	drive string
	ended *capture.Spell
	begun *capture.Spell
}

// turn ends the line's open spell at at and begins next, if any. It changes w
// and says what to write. lived is the last sign of life by the same clock.
func (w *watch) turn(l line, drive string, at, lived time.Time, next *capture.Spell) move {
	m := move{line: l, drive: drive}
	open := w.open(l)
	if *open != nil {
		ended := **open
		ended.To = at.UTC()
		if at.Before(ended.From) { // the clock was set back while it lasted
			ended.To = laterOf(ended.From, lived)
		}
		m.ended, *open = &ended, nil
		if l == blindLine {
			w.free = ended.To
		}
	}
	if next != nil {
		begun := *next
		begun.Drive, begun.From = drive, begun.From.UTC()
		if l == blindLine && !w.free.After(at) {
			begun.From = laterOf(begun.From, w.free)
		}
		m.begun, *open = &begun, &begun
	}
	return m
}

// setBack ends what is open by the old time and begins it again by the new one.
func (w *watch) setBack(drive string, from, to time.Time) (moves []move) {
	for _, l := range lines {
		if sp := *w.open(l); sp != nil {
			again := *sp
			again.From = to
			moves = append(moves, w.turn(l, drive, from, from, nil), w.turn(l, drive, to, from, &again))
		}
	}
	return moves
}

func putMoves(tx *bolt.Tx, moves []move) error {
	b := tx.Bucket(bSpells)
	for _, m := range moves {
		key := m.line.openKey(m.drive)
		if m.ended != nil {
			if err := b.Delete(key); err != nil {
				return err
			}
			if err := m.line.putEnded(b, *m.ended); err != nil {
				return err
			}
		}
		if m.begun != nil {
			if err := putSealed(b, key, *m.begun); err != nil {
				return err
			}
		}
	}
	return nil
}

// putEnded writes what of a spell isn't covered by others already. Only after
// the clock was set back are there any.
func (l line) putEnded(b *bolt.Bucket, sp capture.Spell) error {
	type piece struct{ from, to time.Time }
	var pieces []piece
	from := sp.From
	c := b.Cursor()
	if before, ok := l.endedBefore(c, sp.Drive, sp.From); ok {
		from = laterOf(from, before.To)
	}
	prefix := l.prefix(sp.Drive)
	for k, v := c.Seek(l.key(sp.Drive, sp.From)); bytes.HasPrefix(k, prefix) && from.Before(sp.To); k, v = c.Next() {
		var other capture.Spell
		if unseal(k, v, &other) != nil || other.To.IsZero() {
			continue
		}
		if !other.From.Before(sp.To) {
			break
		}
		if from.Before(other.From) {
			pieces = append(pieces, piece{from, other.From})
		}
		from = laterOf(from, other.To)
	}
	if from.Before(sp.To) {
		pieces = append(pieces, piece{from, sp.To})
	}
	for _, p := range pieces {
		sp.From, sp.To = p.from, p.to
		if err := putSealed(b, l.key(sp.Drive, sp.From), sp); err != nil {
			return err
		}
	}
	return nil
}

// endedBefore is the last spell that began before t and ended.
func (l line) endedBefore(c *bolt.Cursor, drive string, t time.Time) (sp capture.Spell, ok bool) {
	prefix := l.prefix(drive)
	k, v := before(c, l.key(drive, t))
	if !bytes.HasPrefix(k, prefix) || unseal(k, v, &sp) != nil {
		return sp, false
	}
	return sp, !sp.To.IsZero()
}

func (l line) prefix(drive string) []byte { return joined(string(l)+drive, "") }

func (l line) key(drive string, from time.Time) []byte {
	return append(l.prefix(drive), stamp(from)...)
}

// openKey sorts behind every stamp.
func (l line) openKey(drive string) []byte {
	return append(append(l.prefix(drive), bytes.Repeat([]byte{0xff}, 8)...), 0)
}

// lastOf moves to the last key with the prefix; k is nil where there is none.
func lastOf(c *bolt.Cursor, prefix []byte) (k, v []byte) {
	k, v = before(c, append(bytes.Clone(prefix), bytes.Repeat([]byte{0xff}, 9)...))
	if !bytes.HasPrefix(k, prefix) {
		return nil, nil
	}
	return k, v
}

// drives are those that have spells on the line.
func (l line) drives(tx *bolt.Tx) (drives []string, err error) {
	c := tx.Bucket(bSpells).Cursor()
	begin := []byte(l)
	if l == blindLine {
		begin = []byte{1}
	}
	for k, _ := c.Seek(begin); bytes.HasPrefix(k, []byte(l)) && k != nil; {
		rest := k[len(l):]
		n := bytes.IndexByte(rest, 0)
		if n < 1 {
			return nil, damagef("spell %q has no proper name", k)
		}
		drive := string(rest[:n])
		drives = append(drives, drive)
		k, _ = c.Seek(append([]byte(string(l)+drive), 1))
	}
	return drives, nil
}

// load reads a drive's open spell on the line, and where its last one ended.
// A spell that can't be read is passed over.
func (l line) load(tx *bolt.Tx, drive string, w *watch) error {
	c := tx.Bucket(bSpells).Cursor()
	prefix := l.prefix(drive)
	k, v := lastOf(c, prefix)
	var broken error
	for ; bytes.HasPrefix(k, prefix); k, v = c.Prev() {
		var sp capture.Spell
		switch err := unseal(k, v, &sp); {
		case err != nil:
			broken = err
		case sp.To.IsZero():
			*w.open(l) = &sp
		default:
			if l == blindLine {
				w.free = sp.To
			}
			return broken
		}
	}
	return broken
}

// between are a drive's spells that overlap [since, until), newest first;
// zero times don't bound. Those that can't be read are told to broken.
func (l line) between(tx *bolt.Tx, drive string, since, until time.Time, broken func(error)) (out []capture.Spell) {
	prefix := l.prefix(drive)
	c := tx.Bucket(bSpells).Cursor()
	for k, v := lastOf(c, prefix); bytes.HasPrefix(k, prefix); k, v = c.Prev() {
		var sp capture.Spell
		if err := unseal(k, v, &sp); err != nil {
			broken(err)
			continue
		}
		if !until.IsZero() && !sp.From.Before(until) {
			continue
		}
		if !sp.To.IsZero() && !sp.To.After(since) {
			break // ended spells don't overlap, so all others ended earlier
		}
		out = append(out, sp)
	}
	return out
}

func putSealed(b *bolt.Bucket, key []byte, v any) error { return putAs(b, key, key, v) }

func laterOf(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
